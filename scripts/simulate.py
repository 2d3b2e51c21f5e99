"""Make a set of simulated scans with known truth.

python scripts/simulate.py --case demo --seed 1 --out some/folder
python scripts/simulate.py --list
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import replace
from pathlib import Path

if __name__ == "__main__":
    from environment import run_here

    run_here()

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from fixtures.flatbed.cases import CASES, big_case, named
from fixtures.flatbed.simulate import SCANS, simulate


def main() -> int:
    """Run the command line; returns the exit code."""
    parser = argparse.ArgumentParser(description="Make simulated flatbed scans with known truth.")
    parser.add_argument("--list", action="store_true", help="name the cases and stop")
    parser.add_argument("--case", help="a named case, or big-N for a painting of N megapixels")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--dpi", type=float, help="resolution of the scans, instead of the case's own")
    parser.add_argument("--out", type=Path, help="folder to fill")
    args = parser.parse_args()
    if args.list:
        print("\n".join(f"{case.name:22s} {case.kind.value}, {case.dpi:g} dpi" for case in CASES.values()))
        return 0
    if args.case is None or args.out is None:
        parser.error("--case and --out are needed (or --list)")
    if args.case not in CASES and not args.case.startswith("big-"):
        parser.error(f"no case is called {args.case}; --list names them")
    case = (
        big_case(float(args.case[4:]), seed=args.seed) if args.case.startswith("big-") else named(args.case, args.seed)
    )
    if args.dpi is not None:
        case = replace(case, dpi=args.dpi)
    started = time.monotonic()
    truth = simulate(case, args.out, progress=_say)
    print(f"\n{len(truth.scans)} scans in {args.out / SCANS}, {time.monotonic() - started:.1f} s")
    return 0


def _say(what: str, fraction: float) -> None:
    print(f"\r{what:20s} {100 * fraction:4.0f} %", end="", flush=True)


if __name__ == "__main__":
    raise SystemExit(main())
