"""The tone match sees the same paint in both scans, whatever bent them."""

from __future__ import annotations

import numpy as np
import pytest

from stitch.imaging.placed_map import placed_maps
from stitch.imaging.resample import coverage
from stitch.tone.cells import common_cells
from stitch.tone.fit import fit
from stitch.tone.samples import PlacedSource, sample_pair
from tests.bent import pattern
from tests.seams.pieces import SRGB, Pieces, bent, uncorrected

CANVAS = (420, 330)
BOXES = {"a": (-8, -10, 300, 352), "b": (130, -10, 300, 352)}
PPI = 150.0


def pieces_of(seed: int) -> Pieces:
    return bent(pattern(seed, 14.0), BOXES, canvas=CANVAS, seed=seed, ppi=PPI)


def unlike(pieces: Pieces) -> float:
    """Root mean square of the relative difference between both scans' cells."""
    maps = placed_maps(pieces.layout, pieces.sizes)
    a, b = (PlacedSource(name, pieces.sources[name], maps[name]) for name in BOXES)
    grid = common_cells(a.placed, b.placed, pieces.layout.canvas, PPI)
    samples = sample_pair(a, b, grid, SRGB, 16)
    assert len(samples.linear_a) >= 100
    return float(np.sqrt(np.mean((samples.linear_a / samples.linear_b - 1) ** 2)))


@pytest.mark.parametrize("seed", range(2))
def test_cells_show_the_same_light_in_both_scans(seed: int) -> None:
    pieces = pieces_of(seed)
    straight, as_if = unlike(pieces), unlike(uncorrected(pieces))
    assert straight < 0.004 and as_if > 10 * straight


@pytest.mark.parametrize("seed", range(2))
def test_cells_lie_inside_what_both_scans_show(seed: int) -> None:
    pieces = pieces_of(seed)
    first, second = placed_maps(pieces.layout, pieces.sizes).values()
    grid = common_cells(first, second, pieces.layout.canvas, PPI)
    shown = [coverage(one.size, one, pieces.layout.canvas.window(), 3) for one in (first, second)]
    for row, column in np.argwhere(grid.is_usable):
        y0, x0 = grid.y0_px + row * grid.cell_px, grid.x0_px + column * grid.cell_px
        assert (shown[0] & shown[1])[y0 : y0 + grid.cell_px, x0 : x0 + grid.cell_px].all()
    assert grid.is_usable.sum() > 100


def test_scans_of_one_tone_are_left_alone() -> None:
    pieces = pieces_of(3)
    found = fit(pieces.sources, pieces.layout, SRGB, bits=16)
    assert all(tone.is_identity for tone in found.scans)
    assert found.pairs[0].mean_before_de00 < 0.2
