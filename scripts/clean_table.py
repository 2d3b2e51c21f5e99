"""Clean paper, dust and cut-outs on simulated masters whose truth is known, with yardsticks of the general libraries.

python scripts/clean_table.py                       ten seeds of everything; some fifteen minutes alone on a core
python scripts/clean_table.py --only paper          or dust, or cutout
python scripts/clean_table.py --only dust --kinds oil --seeds 1-5
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

if __name__ == "__main__":
    from environment import run_here

    run_here()

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import numpy as np

from fixtures.scoring.clean_rows import DUSTY, NO_PAPERS, PAPERS, Row, cutout_row, dust_row, paper_row, refused_row

PAPER_DE, PAINT_DE = 1.0, 1.0
RECALL, PRECISION, ASKED = 0.90, 0.90, 0.80
BAND_ALPHA, BLACK_DE = 0.02, 2.0


def main() -> int:
    """Run the command line; 0 when every goal is met."""
    parser = argparse.ArgumentParser(description="Paper, dust and cut-outs against the truth.")
    parser.add_argument("--only", choices=("paper", "dust", "cutout"))
    parser.add_argument("--seeds", default="1-10")
    parser.add_argument("--kinds", nargs="*", default=(), help="of paintings with dust")
    parser.add_argument("--no-yardstick", action="store_true")
    args = parser.parse_args()
    seeds, with_library = _range(args.seeds), not args.no_yardstick
    met = []
    with tempfile.TemporaryDirectory() as scratch:
        if args.only in (None, "paper"):
            met.append(_paper(seeds, Path(scratch), has_yardstick=with_library))
        if args.only in (None, "dust"):
            met.append(_dust(seeds, args.kinds or DUSTY, Path(scratch), has_yardstick=with_library))
        if args.only in (None, "cutout"):
            met.append(_cutout(seeds, Path(scratch), has_yardstick=with_library))
    return 0 if all(met) else 1


def _paper(seeds: list[int], scratch: Path, *, has_yardstick: bool) -> bool:
    is_met = True
    for kind in PAPERS:
        rows = [paper_row(kind, seed, scratch, has_yardstick=has_yardstick) for seed in seeds]
        _show(f"paper, {kind}", rows)
        is_met &= max(row["paper to white, mean"] for row in rows) <= PAPER_DE
        is_met &= kind == "pencil" or max(row["paint moved, worst"] for row in rows) <= PAINT_DE
    refused = [refused_row(kind, seed, scratch)["refused"] for kind in NO_PAPERS for seed in seeds[:2]]
    print(f"without paper: {int(sum(refused))} of {len(refused)} refused\n", flush=True)
    return is_met and all(refused)


def _dust(seeds: list[int], kinds: tuple[str, ...], scratch: Path, *, has_yardstick: bool) -> bool:
    is_met = True
    for kind in kinds:
        rows = []
        for seed in seeds:
            rows.append(dust_row(kind, seed, scratch / f"{kind}-{seed}", has_yardstick=has_yardstick))
            print(f"dust, {kind}, seed {seed}: {_told(rows[-1])}", flush=True)
        total = {name: sum(row[name] for row in rows) for name in rows[0]}
        found, right = total["glass_found"] / total["glass"], total["mended_right"] / total["mended"]
        asked = total["asked_right"] / max(total["asked"], 1)
        print(f"dust, {kind}: recall {found:.3f}, precision {right:.3f}, proposals {asked:.3f}", end=", ")
        print(f"splatter mended {total['splatter_lost']:.0f} of {total['splatter']:.0f}")
        _show(f"dust, {kind}", [{k: v for k, v in row.items() if ":" in k} for row in rows])
        is_met &= found >= RECALL and right >= PRECISION and asked >= ASKED
    return is_met


def _cutout(seeds: list[int], scratch: Path, *, has_yardstick: bool) -> bool:
    rows = [cutout_row(seed, scratch, has_yardstick=has_yardstick) for seed in seeds]
    _show("cut-out", rows)
    band, black = (float(np.mean([row[f"cutout: {name}"] for row in rows])) for name in ("band_alpha", "black_de00"))
    return band <= BAND_ALPHA and black <= BLACK_DE


def _told(row: Row) -> str:
    return ", ".join(f"{name} {value:.0f}" for name, value in row.items() if ":" not in name)


def _show(title: str, rows: list[Row]) -> None:
    print(f"{title}, {len(rows)} seeds{'':<30}   mean     worst    best")
    for name in rows[0]:
        values = [row[name] for row in rows]
        print(f"  {name:<40}{np.mean(values):10.4f}{max(values):10.4f}{min(values):10.4f}")
    print(flush=True)


def _range(text: str) -> list[int]:
    first, _, last = text.partition("-")
    return list(range(int(first), int(last or first) + 1))


if __name__ == "__main__":
    raise SystemExit(main())
