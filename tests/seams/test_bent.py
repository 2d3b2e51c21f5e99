"""The cut and the measures along it, on scans that a local correction straightens."""

from __future__ import annotations

import numpy as np
import pytest

from stitch.imaging.placed_map import placed_maps
from stitch.imaging.resample import coverage
from stitch.progress import SILENT
from stitch.seams.colours import cell_colours
from stitch.seams.cut import cut
from stitch.seams.lattice import make_lattice, make_parts
from stitch.seams.measure import measure
from tests.bent import pattern
from tests.seams.pieces import SRGB, Pieces, bent, uncorrected

CANVAS = (380, 250)
BOXES = {"a": (-8, -10, 250, 272), "b": (140, -10, 252, 272)}


def pieces_of(seed: int, shortest_px: float = 14.0) -> Pieces:
    return bent(pattern(seed, shortest_px), BOXES, canvas=CANVAS, seed=seed)


@pytest.mark.parametrize("seed", range(3))
def test_cells_that_a_scan_may_make_are_shown_by_it(seed: int) -> None:
    pieces = pieces_of(seed)
    lattice = make_lattice(pieces.layout, pieces.sizes, 500)
    maps = placed_maps(pieces.layout, pieces.sizes)
    found = np.zeros((lattice.rows, lattice.columns), bool)
    for part in make_parts(lattice, pieces.layout, pieces.sizes):
        placed = maps[part.scan_id]
        shown = coverage(placed.size, placed, pieces.layout.canvas.window())
        cell = lattice.cell_px
        for row, column in np.argwhere(part.is_valid) + np.array([part.window.y0_px, part.window.x0_px]):
            assert shown[row * cell : (row + 1) * cell, column * cell : (column + 1) * cell].all()
        found[part.place] |= part.is_valid
    assert found[lattice.used].all()


@pytest.mark.parametrize("seed", range(3))
def test_both_scans_have_the_same_colours_in_a_cell(seed: int) -> None:
    pieces = pieces_of(seed, 24.0)  # a reduced scan is read by linear interpolation: long waves
    apart = [disagreement(pieces), disagreement(uncorrected(pieces))]
    assert apart[0] < 0.4 and apart[1] > 4 * apart[0]


def disagreement(pieces: Pieces) -> float:
    """Root mean square difference of both scans' L* over the cells well inside both."""
    lattice = make_lattice(pieces.layout, pieces.sizes, 500)
    maps = placed_maps(pieces.layout, pieces.sizes)
    light = []
    for part in make_parts(lattice, pieces.layout, pieces.sizes):
        whole = np.full((lattice.rows, lattice.columns), np.nan)
        with SILENT.task("", 1.0) as task:
            found = cell_colours(
                pieces.sources[part.scan_id],
                maps[part.scan_id],
                None,
                SRGB,
                lattice,
                part.window,
                bits=16,
                memory_mb=200,
                task=task,
            )
        whole[part.place] = np.where(part.depth_px > 12, found.lab[..., 0], np.nan)
        light.append(whole)
    difference = (light[0] - light[1])[np.isfinite(light[0] - light[1])]
    assert difference.size > 200
    return float(np.sqrt(np.mean(difference**2)))


@pytest.mark.parametrize("seed", range(3))
def test_no_misregistration_is_left_along_the_seam(seed: int) -> None:
    pieces = pieces_of(seed)
    label_map = cut(pieces.sources, pieces.layout, pieces.untoned, SRGB, bits=16, memory_mb=500)
    worst = []
    for one in (pieces, uncorrected(pieces)):
        lines = measure(one.sources, one.layout, one.untoned, SRGB, label_map, bits=16)
        shifts = [shift for line in lines for shift in line.misregistration_px if shift is not None]
        assert len(shifts) >= 2
        worst.append(max(shifts))
    assert worst[0] < 0.06 and worst[1] > 0.5
