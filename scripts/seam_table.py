"""The table of seams: simulated paintings are joined; tone, cut and blend are held against the truth.

python scripts/seam_table.py
python scripts/seam_table.py --seeds 1-3 --cases seams-oil-drift,seams-oil-dust --at-once 2
python scripts/seam_table.py --yardstick --results seams.jsonl

With --yardstick the same scans, at the same places, are also matched, cut and blended by the general library OpenCV
(cv2.detail, in 8 bits), and its masters are scored alike; the last lines say measure by measure on how many rows ours
is ahead, and name those where it is not.

Every finished row is one line of JSON in the results file at once; the same command again goes on where it stopped.
Without --results the file lies in the system's temporary folder. Exit code 0 when every row passes, 1 when not.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from functools import partial
from pathlib import Path
from typing import Any

if __name__ == "__main__":
    from environment import run_here

    run_here("dev")

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent
sys.path[:0] = [str(ROOT), str(HERE)]

from procmem import end_tidily_when_told  # noqa: E402
from score_table import (  # noqa: E402
    JOINERS,
    Key,
    finished,
    in_order,
    parse_seeds,
    read_results,
    revision_now,
    tell_about_kept,
)

from fixtures.flatbed.cases import CASES, named  # noqa: E402
from fixtures.flatbed.seam_cases import seam_cases  # noqa: E402
from fixtures.scoring import seam_against, seam_table, yardstick  # noqa: E402

WITH_YARDSTICK = "+yardstick"
COPIES = "copies"  # without chance: one seed is enough


def main(arguments: list[str] | None = None) -> int:
    """Run the command line; returns the exit code."""
    options = _parser().parse_args(arguments)
    plan = planned(options)
    name = "seams-yardstick.jsonl" if options.yardstick else "seams.jsonl"
    results = Path(options.results or Path(tempfile.gettempdir()) / "score-table" / name)
    done = {} if options.fresh else read_results(results)
    if options.fresh or not results.exists():
        results.parent.mkdir(parents=True, exist_ok=True)
        results.write_text("", encoding="utf-8")
    revision = revision_now()
    tell_about_kept(plan, done, revision)
    started = time.monotonic()
    rows = []
    make = partial(_row, keep=options.keep)
    marks = {"revision": revision}
    for number, key in enumerate(finished(plan, done, results, make, options.at_once, marks), start=1):
        rows.append(done[key])
        print(seam_table.line(done[key], number, len(plan), time.monotonic() - started), flush=True)
    print(f"\n{seam_table.summary(in_order(rows, plan))}")
    if options.yardstick:
        print(f"\n{seam_against.against(in_order(rows, plan))}\n\n{yardstick.NOTE}")
    print(f"\n{len(rows)} rows, {time.monotonic() - started:.0f} s in this run, results in {results}")
    return 0 if all(row["passed"] for row in rows) else 1


def planned(options: argparse.Namespace) -> list[Key]:
    """The rows asked for, in order."""
    seeds = parse_seeds(options.seeds)
    names = options.cases.split(",") if options.cases else [case.name for case in seam_cases()]
    for name in names:
        if name not in CASES:
            raise SystemExit(f"no case is called {name}; scripts/simulate.py --list names them")
    joiner = ("faultless" if options.faultless else "stitch") + (WITH_YARDSTICK if options.yardstick else "")
    return [
        (name, seed, named(name).dpi, False, joiner)
        for name in names
        for seed in (seeds[:1] if COPIES in name else seeds)
    ]


def _row(key: Key, keep: Path | None) -> dict[str, Any]:
    name, seed, _, _, joiner = key
    others = yardstick.YARDSTICKS if joiner.endswith(WITH_YARDSTICK) else {}
    join = JOINERS[joiner.removesuffix(WITH_YARDSTICK)]
    if keep is not None:
        return seam_table.run_row(named(name, seed), keep / f"{name}-{seed}", join, others)
    with tempfile.TemporaryDirectory(prefix="seams-") as scratch:
        return seam_table.run_row(named(name, seed), Path(scratch), join, others)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(description="Hold the seams of simulated paintings against the truth.")
    parser.add_argument("--seeds", default="1-10", help='for instance "1-20" or "3,7"; default 1-10')
    parser.add_argument("--at-once", type=int, default=1, help="rows worked on at the same time; default 1")
    parser.add_argument("--cases", help="names with commas between; default: all that begin with seams-")
    parser.add_argument("--yardstick", action="store_true", help="score the general library on the same scans, too")
    parser.add_argument("--results", help="file of results, one line a row")
    parser.add_argument("--fresh", action="store_true", help="forget the rows of earlier runs")
    parser.add_argument("--keep", type=Path, help="keep scans and jobs in this folder")
    parser.add_argument("--faultless", action="store_true", help="score jobs made from the truth instead of by stitch")
    return parser


if __name__ == "__main__":
    end_tidily_when_told()
    raise SystemExit(main())
