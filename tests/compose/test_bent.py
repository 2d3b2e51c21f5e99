"""Scans that the scanner bent come back straight in the master."""

from __future__ import annotations

import numpy as np
import pytest

from stitch.compose.windows import solve
from stitch.imaging.placed_map import placed_maps
from stitch.imaging.pyramid import reach_px
from stitch.imaging.resample import coverage
from stitch.model.geometry import Size
from stitch.model.settings import Resample
from tests.bent import pattern
from tests.compose.test_run import composed, cut_of, plan, straight
from tests.seams.pieces import Pieces, bent, uncorrected

CANVAS = (360, 240)
BOXES = {"a": (-8, -10, 220, 262), "b": (140, -10, 232, 262)}
LIMITS = {Resample.USUAL: 0.06, Resample.FINE: 0.012}


def pieces_of(seed: int, **how: object) -> Pieces:
    return bent(pattern(seed), BOXES, canvas=CANVAS, seed=seed, **how)


def off_px(pieces: Pieces, pixels: np.ndarray, seed: int) -> np.ndarray:
    """Error of every canvas pixel, in px of the pattern's steepest slope."""
    return np.abs(pixels.astype(int) - pieces.whole).max(axis=-1) / (65535 * pattern(seed).slope)


def well_inside(pieces: Pieces) -> np.ndarray:
    """Pixels that lie away from the border of every scan that shows them: a correction has a corner there."""
    found = np.ones(CANVAS[::-1], bool)
    for placed in placed_maps(pieces.layout, pieces.sizes).values():
        near = coverage(placed.size, placed, pieces.layout.canvas.window(), -6)
        found &= ~near | coverage(placed.size, placed, pieces.layout.canvas.window(), 18)
    return found


@pytest.mark.parametrize("how", list(Resample))
@pytest.mark.parametrize("seed", range(2))
def test_two_bent_scans_make_the_straight_picture(seed: int, how: Resample) -> None:
    pieces = pieces_of(seed)
    label_map = cut_of(pieces)
    pixels, labels = composed(pieces, label_map, plan(128, 128, 2), how=how)
    assert labels.all() and set(np.unique(labels)) == {1, 2}
    off = off_px(pieces, pixels, seed)
    assert off[well_inside(pieces)].max() < LIMITS[how]
    assert off.max() < LIMITS[how] + 0.03
    as_if, _ = composed(uncorrected(pieces), label_map, plan(128, 128, 2), how=how)
    assert np.percentile(off_px(pieces, as_if, seed), 90) > 0.25  # the test can tell


def test_a_straight_scan_beside_a_bent_one_keeps_its_pixels() -> None:
    pieces = pieces_of(4, straight=("a",))
    for how in Resample:
        pixels, labels = composed(pieces, straight(pieces, 180), plan(100, 90), how=how)
        kept = slice(0, 180 - reach_px(3))
        assert (labels[:, kept] == 1).all()
        assert np.array_equal(pixels[:, kept], pieces.sources["a"].pixels[10:250, 8:][:, kept])
        assert off_px(pieces, pixels, 4)[well_inside(pieces)].max() < LIMITS[how]


@pytest.mark.parametrize("how", list(Resample))
def test_bent_scans_agree_between_window_sizes(how: Resample) -> None:
    pieces = pieces_of(5)
    label_map = cut_of(pieces)
    first, labels = composed(pieces, label_map, plan(64, 96, 2), how=how)
    again, same = composed(pieces, label_map, plan(512, 512), how=how)
    assert np.array_equal(labels, same)
    assert np.abs(first.astype(int) - again.astype(int)).max() <= 16


def test_the_fine_way_is_planned_with_more_memory() -> None:
    canvas = Size(14_400, 21_600)
    usual, fine = (solve(canvas, 12, 16, 1000, 2, levels=5, is_by_blocks=way) for way in (False, True))
    smaller = fine.band_px * fine.block_px < usual.band_px * usual.block_px
    assert fine.peak_mb <= 1000 and (smaller or fine.peak_mb > usual.peak_mb)
