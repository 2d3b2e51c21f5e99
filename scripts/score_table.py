"""Tables of evidence: simulated paintings are joined and the results scored against the truth.

python scripts/score_table.py --quick
python scripts/score_table.py --seeds 1-20 --results results.jsonl
python scripts/score_table.py --table desk --at-once 2
python scripts/score_table.py --table desk --seeds 101-103 --results fresh.jsonl

The desk table takes every desk case with seeds 1 to 10; other seeds, for instance fresh ones, are given with --seeds.

Every finished row is one line of JSON in the results file at once; the same command again goes on where it stopped.
Without --results the file lies in the system's temporary folder, and --quick starts afresh.
Exit code 0 when every row passes (and every case of the desk table reaches what it must), 1 when not.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor, as_completed
from functools import partial
from pathlib import Path
from typing import Any

if __name__ == "__main__":
    from environment import run_here

    run_here("dev")

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent
sys.path[:0] = [str(ROOT), str(HERE)]

from procmem import end_tidily_when_told, run_watched  # noqa: E402

from fixtures.flatbed.cases import CASES  # noqa: E402
from fixtures.flatbed.truth import Truth  # noqa: E402
from fixtures.scoring import desk, table, table_text  # noqa: E402
from fixtures.scoring.perfect_job import write_perfect_job  # noqa: E402

TARGET_CASES = ("quarters-oil", "quarters-watercolour", "quarters-impasto", "quarters-ornament")
ONCE_CASES = ("quarters-white", "grid-3x3-oil")  # first seed only
REFUSAL_CASES = ("missing", "missing-corner", "foreign", "no-overlap", "blank-overlap")  # first seed only
QUICK_CASES = (*TARGET_CASES[1:3], "desk-scale-half-180", "missing", "foreign", "blank-overlap")
JOIN_LIMIT_S = 1200.0

Key = tuple[str, int, float, bool, str]
Row = dict[str, Any]


def main(arguments: list[str] | None = None) -> int:
    """Run the command line; returns the exit code."""
    options = _parser().parse_args(arguments)
    plan = list(planned(options))
    results = Path(options.results or Path(tempfile.gettempdir()) / "score-table" / f"{_mode(options)}.jsonl")
    is_fresh = options.fresh or (options.quick and not options.results)
    done = {} if is_fresh else read_results(results)
    if is_fresh or not results.exists():
        results.parent.mkdir(parents=True, exist_ok=True)
        results.write_text("", encoding="utf-8")
    revision = revision_now()
    tell_about_kept(plan, done, revision)
    started = time.monotonic()
    rows = []
    marks = {"quick": options.quick, "revision": revision}
    make = partial(_row, keep=options.keep)
    for number, key in enumerate(finished(plan, done, results, make, options.at_once, marks), start=1):
        rows.append(done[key])
        print(table_text.line(done[key], number, len(plan), time.monotonic() - started), flush=True)
    is_desk = options.table == "desk"
    print()
    print(desk.summary(in_order(rows, plan)) if is_desk else table_text.summary(in_order(rows, plan)))
    print(f"\n{len(rows)} rows, {time.monotonic() - started:.0f} s in this run, results in {results}")
    return 0 if (desk.is_met(rows) if is_desk else all(row["passed"] for row in rows)) else 1


def finished(
    plan: list[Key],
    done: dict[Key, Row],
    results: Path,
    make: Callable[[Key], Row],
    at_once: int,
    marks: dict[str, Any],
) -> Iterator[Key]:
    """The keys of the plan as their rows are there: kept ones first, then the others, some at once."""
    yield from (key for key in plan if key in done)
    missing = [key for key in plan if key not in done]
    with ThreadPoolExecutor(at_once) as pool:
        waiting = {pool.submit(make, key): key for key in missing}
        try:
            for future in as_completed(waiting):
                key = waiting[future]
                done[key] = {**future.result(), **marks, "joiner": key[4]}
                append_row(results, done[key])
                yield key
        finally:
            pool.shutdown(cancel_futures=True)


def in_order(rows: list[Row], plan: list[Key]) -> list[Row]:
    """Rows in the order of the plan."""
    place = {key: k for k, key in enumerate(plan)}
    return sorted(rows, key=lambda row: place[key_of(row)])


def planned(options: argparse.Namespace) -> Iterator[Key]:
    """The rows asked for, in order."""
    usual = "1" if options.quick else "1-10" if options.table == "desk" else "1-20"
    seeds = parse_seeds(options.seeds or usual)
    joiner = "faultless" if options.faultless else "stitch"
    if options.cases:
        for name in options.cases.split(","):
            if name not in CASES:
                raise SystemExit(f"no case is called {name}; scripts/simulate.py --list names them")
            if options.table == "desk" and name not in desk.DESK:
                raise SystemExit(f"{name} is no case of the desk table")
        names = dict.fromkeys(options.cases.split(","), seeds)
    elif options.table == "desk":
        names = dict.fromkeys(desk.DESK, seeds)
    elif options.quick:
        names = dict.fromkeys(QUICK_CASES, seeds)
    else:
        names = dict.fromkeys(TARGET_CASES, seeds) | dict.fromkeys(ONCE_CASES + REFUSAL_CASES, seeds[:1])
    for name, chosen in names.items():
        for seed in chosen:
            case = table.table_case(name, seed, is_quick=options.quick, dpi=options.dpi)
            yield name, seed, case.dpi, options.quick, joiner


def parse_seeds(text: str) -> list[int]:
    """Seeds from "3", "1-20" or "1-4,9". Raises ValueError for anything else."""
    seeds: list[int] = []
    for part in text.split(","):
        first, _, last = part.partition("-")
        seeds += range(int(first), int(last or first) + 1)
    return seeds


def read_results(path: Path) -> dict[Key, Row]:
    """Rows of earlier runs; a last line cut short by an interruption is left out."""
    rows: dict[Key, Row] = {}
    for text in path.read_text(encoding="utf-8").splitlines() if path.exists() else []:
        try:
            row = json.loads(text)
        except json.JSONDecodeError:
            continue
        rows[key_of(row)] = row
    return rows


def key_of(row: Row) -> Key:
    """What tells a row from all others."""
    return row["case"], row["seed"], row["dpi"], row["quick"], row["joiner"]


def append_row(path: Path, row: Row) -> None:
    """Add one line; a line cut short before it is ended first."""
    text = path.read_text(encoding="utf-8")
    start = "" if not text or text.endswith("\n") else "\n"
    with path.open("a", encoding="utf-8") as file:
        file.write(start + json.dumps(row, ensure_ascii=False, allow_nan=False) + "\n")


def join_with_stitch(scans: Path, truth: Truth, job: Path, more: tuple[str, ...] = ()) -> table.Joined:
    """Run the command a painter would type, with `more` options."""
    size = ["--width", f"{truth.width_mm:g}mm", "--height", f"{truth.height_mm:g}mm"]
    command = [sys.executable, "-m", "stitch", "join", str(scans), "--out", str(job), *size, *more]
    run = run_watched(command, cwd=ROOT, timeout_s=JOIN_LIMIT_S)
    return table.Joined(run.exit_code, run.stdout + run.stderr, run.wall_s, run.peak_mb)


def join_without_fault(scans: Path, truth: Truth, job: Path, more: tuple[str, ...] = ()) -> table.Joined:
    """Make the job from the truth: shows what the scorers themselves add."""
    started = time.monotonic()
    write_perfect_job(scans, truth, job)
    return table.Joined(0, "", time.monotonic() - started, None)


Joiner = Callable[[Path, Truth, Path, tuple[str, ...]], table.Joined]
JOINERS: dict[str, Joiner] = {"stitch": join_with_stitch, "faultless": join_without_fault}


def _row(key: Key, keep: Path | None) -> Row:
    name, seed, dpi, is_quick, joiner = key
    case = table.table_case(name, seed, is_quick=is_quick, dpi=dpi)
    bar = desk.DESK.get(name)
    options = bar.options if bar else ()

    def join(scans: Path, truth: Truth, job: Path) -> table.Joined:
        return JOINERS[joiner](scans, truth, job, options)

    targets = bar.targets if bar else table.USUAL
    if keep is not None:
        return table.run_row(case, keep / f"{name}-{seed}", join, targets)
    with tempfile.TemporaryDirectory(prefix="score-") as scratch:
        return table.run_row(case, Path(scratch), join, targets)


def tell_about_kept(plan: list[Key], done: dict[Key, Row], revision: str) -> None:
    """Say how many rows are kept, and how many of them another state of the program made."""
    kept = [done[key] for key in plan if key in done]
    if not kept:
        return
    other = sum(row.get("revision") != revision for row in kept)
    note = f", {other} of them from another state of the program (--fresh starts again)" if other else ""
    print(f"{len(kept)} of {len(plan)} rows are kept from earlier runs{note}")


def _mode(options: argparse.Namespace) -> str:
    return "quick" if options.quick else options.table


def revision_now() -> str:
    """The commit, with a plus when something in it is changed; "unknown" outside a checkout."""
    try:
        commit = _git("rev-parse", "--short", "HEAD")
        return commit + ("+" if _git("status", "--porcelain", "--", "stitch") else "")
    except (OSError, subprocess.CalledProcessError):
        return "unknown"


def _git(*words: str) -> str:
    done = subprocess.run(["git", *words], cwd=ROOT, check=True, capture_output=True, text=True)
    return done.stdout.strip()


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(description="Join simulated paintings and score the results against the truth.")
    parser.add_argument("--quick", action="store_true", help="one seed a case and small paintings")
    parser.add_argument("--table", choices=("full", "desk"), default="full", help="which table; default full")
    parser.add_argument("--seeds", help='for instance "1-20" or "3,7"; default 1-20, desk 1-10, quick 1')
    parser.add_argument("--at-once", type=int, default=1, help="rows worked on at the same time; default 1")
    parser.add_argument("--cases", help="names with commas between; scripts/simulate.py --list names them")
    parser.add_argument("--dpi", type=float, help="resolution of the scans, instead of each case's own")
    parser.add_argument("--results", help="file of results, one line a row")
    parser.add_argument("--fresh", action="store_true", help="forget the rows of earlier runs")
    parser.add_argument("--keep", type=Path, help="keep scans and jobs in this folder")
    parser.add_argument("--faultless", action="store_true", help="score jobs made from the truth instead of by stitch")
    return parser


if __name__ == "__main__":
    end_tidily_when_told()
    raise SystemExit(main())
