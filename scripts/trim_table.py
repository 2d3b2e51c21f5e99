"""Trim simulated masters whose corners are known, and print one line each.

python3 scripts/trim_table.py [--seeds 1-30] [--ppi 150]

A row is right when every corner is within 0.5 mm and the size within 0.1 %; refused when `stitch trim` said so;
anything else is wrong. Ends with exit code 1 when fewer than 95 % are right or any is wrong.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np

from stitch.errors import StitchError
from stitch.imaging.projective import project
from stitch.master.carried import read_carried
from stitch.master.writer import MasterWriter
from stitch.model.geometry import Size
from stitch.model.master import MasterSpec
from stitch.pipeline.trimming import TrimRequest, trim
from tests.size.sheets import Sheet, sheet

GROUNDS = ("white", "black", "open", "cloth")
EDGES = ("square", "deckle", "margin", "margin, shadow faint")
LIMIT_MM, LIMIT_SIZE = 0.5, 0.001


def made(seed: int, ppi: float) -> tuple[str, tuple[float, float], Sheet]:
    """One master: its ground, edge, turn and shear all follow from the seed."""
    rng = np.random.default_rng([seed, 41])
    ground, edge = GROUNDS[seed % 4], EDGES[seed // 4 % 4]
    width, height = rng.uniform(110, 240), rng.uniform(110, 240)
    turn, shear = rng.uniform(-2, 2), rng.choice([-0.1, 0.0, 0.1])
    options = {
        "square": {},
        "deckle": {"deckle_mm": 0.5},
        "margin": {"margin_mm": rng.uniform(8, 20)},
        "margin, shadow faint": {"margin_mm": rng.uniform(8, 20), "paper": 0.84},
    }[edge]
    drawn = sheet(
        seed,
        width_mm=width,
        height_mm=height,
        ppi=ppi,
        angle_deg=turn,
        shear_deg=shear,
        border_mm=(9.0, 9.0, 9.0, 9.0),
        lid=ground,
        **options,
    )
    return f"{ground:<6} {edge:<21} {turn:+5.2f} {shear:+4.1f}", (width, height), drawn


def write(path: Path, drawn: Sheet) -> None:
    """The master as stitch writes one."""
    height, width = drawn.rgb.shape[:2]
    spec = MasterSpec(Size(width, height), 16, drawn.ppi, None, "", "", "", (), ())
    with MasterWriter(path, spec) as writer:
        writer.write_rows(drawn.rgb)
        writer.finish()


def row(seed: int, ppi: float, folder: Path) -> str:
    """Trim one and say how far it is off: right, refused or wrong."""
    words, lengths, drawn = made(seed, ppi)
    path = folder / f"m{seed}.tif"
    write(path, drawn)
    try:
        done = trim(TrimRequest(path))
    except StitchError as stop:
        print(f"{seed:>4}  {words}  refused: {stop.message}")
        return "refused"
    corner_mm, size_off = off(path, done.picture, drawn, lengths)
    verdict = "right" if corner_mm <= LIMIT_MM and size_off <= LIMIT_SIZE else "WRONG"
    print(f"{seed:>4}  {words}  corner {corner_mm:.3f} mm  size {100 * size_off:.3f} %  {verdict}")
    for used in (path, done.picture, done.outline):
        used.unlink()
    return verdict


def off(path: Path, trimmed: Path, drawn: Sheet, lengths: tuple[float, float]) -> tuple[float, float]:
    """Worst corner in mm by the map on record, and the worst side as a share."""

    settings = json.loads(read_carried(trimmed).steps[-1][1])
    width, height = settings["size_px"]
    ring = np.array([[-0.5, -0.5], [width - 0.5, -0.5], [width - 0.5, height - 0.5], [-0.5, height - 0.5]])
    found = project(np.array(settings["picture_from_cut"]).reshape(3, 3), ring)
    mm = 25.4 / drawn.ppi
    corner = float(np.hypot(*(found - drawn.corners_px).T).max()) * mm
    return corner, max(abs(px * mm / true - 1) for px, true in zip((width, height), lengths, strict=True))


def main() -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", default="1-30", help="first-last")
    parser.add_argument("--ppi", type=float, default=150.0)
    given = parser.parse_args()
    first, _, last = given.seeds.partition("-")
    with tempfile.TemporaryDirectory(prefix="trim-table-") as folder:
        outcomes = [row(seed, given.ppi, Path(folder)) for seed in range(int(first), int(last or first) + 1)]
    right, wrong = outcomes.count("right"), outcomes.count("WRONG")
    print(f"right {right}, refused {outcomes.count('refused')}, wrong {wrong} of {len(outcomes)}")
    return 0 if wrong == 0 and right >= 0.95 * len(outcomes) else 1


if __name__ == "__main__":
    raise SystemExit(main())
