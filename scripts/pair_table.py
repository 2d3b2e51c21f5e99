"""Table of evidence for the pair search: how many true pairs are found, and that no false one is believed.

python scripts/pair_table.py
python scripts/pair_table.py --seeds 101-103 --results fresh.jsonl
python scripts/pair_table.py --kinds "oil" "strict ornament" --seeds 1-2

Every finished set is one line of JSON in the results file at once; the same command again goes on where it stopped.
Without --results the file lies in the system's temporary folder. Exit code 0 when no false pair was believed and at
least 99 % of the true ones were found, 1 when not.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from pathlib import Path

if __name__ == "__main__":
    from environment import run_here

    run_here("dev")

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from fixtures.scoring.pair_trials import TRIALS, as_row, ready, table, try_set

LEAST_FOUND = 0.99


def main(arguments: list[str] | None = None) -> int:
    """Run the command line; returns the exit code."""
    parser = argparse.ArgumentParser(description="Try the pair search on simulated scans.")
    parser.add_argument("--kinds", nargs="*", default=list(TRIALS), choices=list(TRIALS), metavar="KIND")
    parser.add_argument("--seeds", default="1-4", help="first-last, or one number")
    parser.add_argument("--results", type=Path, default=Path(tempfile.gettempdir()) / "pair-table.jsonl")
    options = parser.parse_args(arguments)
    first, _, last = options.seeds.partition("-")
    done = _read(options.results)
    plan = [(kind, seed) for seed in range(int(first), int(last or first) + 1) for kind in options.kinds]
    before = None
    for number, (kind, seed) in enumerate(plan):
        if (kind, seed) in done:
            continue
        made = ready(TRIALS[kind], seed)
        row = as_row(try_set(TRIALS[kind], seed, made, before))
        before = made
        done[kind, seed] = row
        with options.results.open("a", encoding="utf-8") as out:
            out.write(json.dumps(row) + "\n")
        _say(f"{number + 1}/{len(plan)} {kind}, seed {seed}: {row['found_count']} of {row['true_count']} found, "
             f"{row['accepted_count']} of {row['false_count']} wrong")  # fmt: skip
    rows = [done[key] for key in plan]
    print(table(rows))
    true, found = (sum(row[key] for row in rows) for key in ("true_count", "found_count"))
    return 0 if not any(row["accepted_count"] for row in rows) and found >= LEAST_FOUND * true else 1


def _read(path: Path) -> dict[tuple[str, int], dict[str, object]]:
    if not path.exists():
        return {}
    rows = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    return {(row["name"], row["seed"]): row for row in rows}


def _say(line: str) -> None:
    print(line, file=sys.stderr, flush=True)


if __name__ == "__main__":
    raise SystemExit(main())
