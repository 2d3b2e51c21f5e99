"""Faults put into simulated scans, each alone and two at a time, against what `stitch check` says of them.

python scripts/check_table.py
python scripts/check_table.py --seeds 1-10 --pairs 1-3 --clean 101-160
python scripts/check_table.py --seeds none --pairs 4 --clean none --only "lid shadow"
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

if __name__ == "__main__":
    from environment import run_here

    run_here()

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from fixtures.scoring.check_trials import PAIRS, SINGLES, Sets, Trial, alarms, clean_set, trial

LEAST_NAMED = 0.95
CLEAN_PER_ALARM = 60  # sets


def main() -> int:
    """Run the command line; 0 when 95 % of faults and of pairs were named, and at most one clean set in 60 alarmed."""
    parser = argparse.ArgumentParser(description="Faults put in, against what the check says.")
    parser.add_argument("--seeds", default="1-2", help="of sets with one fault, e.g. 1-10; none")
    parser.add_argument("--pairs", default="1", help="seeds of sets with two faults; none")
    parser.add_argument("--clean", default="1-4", help="seeds of clean sets; none")
    parser.add_argument("--dpi", type=float, default=120.0)
    parser.add_argument("--only", help="one fault by name, alone and in its pairs")
    args = parser.parse_args()
    singles = _trials(SINGLES, _seeds(args.seeds), args.dpi, args.only)
    pairs = _trials(PAIRS, _seeds(args.pairs), args.dpi, args.only)
    alarmed = [_clean(seed, args.dpi) for seed in _seeds(args.clean)]
    _print([*singles, *pairs])
    are_named = [_is_enough("single faults", singles), _is_enough("pairs", pairs)]
    print(f"clean sets alarmed: {sum(alarmed)} of {len(alarmed)}")
    return 0 if all(are_named) and CLEAN_PER_ALARM * sum(alarmed) <= len(alarmed) else 1


def _trials(cases: Sequence[tuple[str, ...]], seeds: Sequence[int], dpi: float, only: str | None) -> list[Trial]:
    done = []
    for seed in seeds:
        with tempfile.TemporaryDirectory() as scratch:
            sets = Sets(seed, Path(scratch), dpi)
            for names in cases:
                if only is None or only in names:
                    done.append(trial(sets, seed, names, Path(scratch) / "faulty"))
                    _tell(done[-1])
    return done


def _tell(one: Trial) -> None:
    said = ", ".join(sorted({finding.code for finding in alarms(one.record)}))
    missed = f"NOT NAMED: {', '.join(one.missed)}" if one.missed else "named"
    beside = f"   (beside: {'; '.join(one.beside)})" if one.beside else ""
    print(f"seed {one.seed:<4d} {one.label:32s} {missed}   {said}{beside}", flush=True)


def _clean(seed: int, dpi: float) -> bool:
    with tempfile.TemporaryDirectory() as scratch:
        used, said = clean_set(seed, Path(scratch), dpi)
    print(f"seed {used:<4d} {'nothing wrong':32s} {', '.join(said) or 'nothing said'}", flush=True)
    return bool(said)


def _print(trials: Sequence[Trial]) -> None:
    """The confusion table: what was put in, how often all of it was named, and everything that was said."""
    print(f"\n{'put in':32s} {'named':8s} said")
    for label in dict.fromkeys(one.label for one in trials):
        mine = [one for one in trials if one.label == label]
        said = Counter(code for one in mine for code in {finding.code for finding in alarms(one.record)})
        words = ", ".join(f"{code} {count}" for code, count in said.most_common())
        print(f"{label:32s} {sum(not one.missed for one in mine):2d} of {len(mine):2d} {words}")
    accused = sum(bool(one.beside) for one in trials)
    print(f"something said of a scan with nothing wrong: in {accused} of {len(trials)} sets")


def _is_enough(what: str, trials: Sequence[Trial]) -> bool:
    named = sum(not one.missed for one in trials)
    print(f"{what} named: {named} of {len(trials)}")
    return named >= LEAST_NAMED * len(trials)


def _seeds(text: str) -> list[int]:
    if text == "none":
        return []
    first, _, last = text.partition("-")
    return list(range(int(first), int(last or first) + 1))


if __name__ == "__main__":
    raise SystemExit(main())
