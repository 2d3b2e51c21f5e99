"""Tables of evidence: simulated paintings are joined and the results scored against the truth.

python scripts/score_table.py --quick
python scripts/score_table.py --seeds 1-20 --results results.jsonl

Every finished row is one line of JSON in the results file at once; the same command again goes on where it stopped.
Without --results the file lies in the system's temporary folder, and --quick starts afresh.
Exit code 0 when every row passes, 1 when one does not.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
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
from fixtures.scoring import table, table_text  # noqa: E402
from fixtures.scoring.perfect_job import write_perfect_job  # noqa: E402

TARGET_CASES = ("quarters-oil", "quarters-watercolour", "quarters-impasto", "quarters-ornament")
ONCE_CASES = ("quarters-white", "grid-3x3-oil")  # first seed only
REFUSAL_CASES = ("missing", "missing-corner", "foreign", "no-overlap", "blank-overlap")  # first seed only
QUICK_CASES = (*TARGET_CASES[:3], "missing", "foreign", "no-overlap", "blank-overlap")
JOIN_LIMIT_S = 1200.0

Key = tuple[str, int, float, bool, str]


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
    revision = _revision()
    _tell_about_kept(plan, done, revision)
    started = time.monotonic()
    rows = []
    for number, key in enumerate(plan, start=1):
        if key not in done:
            done[key] = {**_row(key, options.keep), "quick": options.quick, "joiner": key[4], "revision": revision}
            append_row(results, done[key])
        rows.append(done[key])
        print(table_text.line(done[key], number, len(plan), time.monotonic() - started), flush=True)
    print()
    print(table_text.summary(rows))
    print(f"\n{len(rows)} rows, {time.monotonic() - started:.0f} s in this run, results in {results}")
    return 0 if all(row["passed"] for row in rows) else 1


def planned(options: argparse.Namespace) -> Iterator[Key]:
    """The rows asked for, in order."""
    seeds = [1] if options.quick and options.seeds is None else parse_seeds(options.seeds or "1-20")
    joiner = "faultless" if options.faultless else "stitch"
    if options.cases:
        for name in options.cases.split(","):
            if name not in CASES:
                raise SystemExit(f"no case is called {name}; scripts/simulate.py --list names them")
        names = dict.fromkeys(options.cases.split(","), seeds)
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


def read_results(path: Path) -> dict[Key, dict[str, Any]]:
    """Rows of earlier runs; a last line cut short by an interruption is left out."""
    rows: dict[Key, dict[str, Any]] = {}
    for text in path.read_text(encoding="utf-8").splitlines() if path.exists() else []:
        try:
            row = json.loads(text)
        except json.JSONDecodeError:
            continue
        rows[row["case"], row["seed"], row["dpi"], row["quick"], row["joiner"]] = row
    return rows


def append_row(path: Path, row: dict[str, Any]) -> None:
    """Add one line; a line cut short before it is ended first."""
    text = path.read_text(encoding="utf-8")
    start = "" if not text or text.endswith("\n") else "\n"
    with path.open("a", encoding="utf-8") as file:
        file.write(start + json.dumps(row, ensure_ascii=False, allow_nan=False) + "\n")


def join_with_stitch(scans: Path, truth: Truth, job: Path) -> table.Joined:
    """Run the command a painter would type."""
    size = ["--width", f"{truth.width_mm:g}mm", "--height", f"{truth.height_mm:g}mm"]
    command = [sys.executable, "-m", "stitch", "join", str(scans), "--out", str(job), *size]
    run = run_watched(command, cwd=ROOT, timeout_s=JOIN_LIMIT_S)
    return table.Joined(run.exit_code, run.stdout + run.stderr, run.wall_s, run.peak_mb)


def join_without_fault(scans: Path, truth: Truth, job: Path) -> table.Joined:
    """Make the job from the truth: shows what the scorers themselves add."""
    started = time.monotonic()
    write_perfect_job(scans, truth, job)
    return table.Joined(0, "", time.monotonic() - started, None)


JOINERS: dict[str, table.Joiner] = {"stitch": join_with_stitch, "faultless": join_without_fault}


def _row(key: Key, keep: Path | None) -> dict[str, Any]:
    name, seed, dpi, is_quick, joiner = key
    case = table.table_case(name, seed, is_quick=is_quick, dpi=dpi)
    if keep is not None:
        return table.run_row(case, keep / f"{name}-{seed}", JOINERS[joiner])
    with tempfile.TemporaryDirectory(prefix="score-") as scratch:
        return table.run_row(case, Path(scratch), JOINERS[joiner])


def _tell_about_kept(plan: list[Key], done: dict[Key, dict[str, Any]], revision: str) -> None:
    kept = [done[key] for key in plan if key in done]
    if not kept:
        return
    other = sum(row.get("revision") != revision for row in kept)
    note = f", {other} of them from another state of the program (--fresh starts again)" if other else ""
    print(f"{len(kept)} of {len(plan)} rows are kept from earlier runs{note}")


def _mode(options: argparse.Namespace) -> str:
    return "quick" if options.quick else "full"


def _revision() -> str:
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
    parser.add_argument("--seeds", help='for instance "1-20" or "3,7"; default 1-20, quick 1')
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
