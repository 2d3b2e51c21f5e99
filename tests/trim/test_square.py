"""Corners made square: what is undone, what is only copied."""

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from stitch.imaging.projective import project, projective_between
from stitch.model.geometry import Size
from stitch.model.settings import Resample
from stitch.trim.cutting import cut_bands
from stitch.trim.square import cut_for, lean_of, missing_px
from tests.held import HeldSource

RECTANGLE = np.array([[20.0, 30.0], [420.0, 30.0], [420.0, 330.0], [20.0, 330.0]])


def turned(degrees: float, shear: float = 0.0, taper_px: float = 0.0) -> np.ndarray:
    c, s, lean = np.cos(np.radians(degrees)), np.sin(np.radians(degrees)), np.tan(np.radians(shear))
    middle = RECTANGLE.mean(axis=0)
    points = (RECTANGLE - middle) @ np.array([[1.0, 0.0], [-lean, 1.0]]) + [
        [taper_px, 0],
        [-taper_px, 0],
        [0, 0],
        [0, 0],
    ]
    return points @ np.array([[c, s], [-s, c]]) + middle


def test_a_projective_map_takes_four_points_to_four() -> None:
    rng = np.random.default_rng(3)
    there = RECTANGLE + rng.uniform(-15, 15, (4, 2))
    found = projective_between(there, RECTANGLE)
    assert project(found, RECTANGLE) == pytest.approx(there, abs=1e-9)
    assert project(np.linalg.inv(found), there) == pytest.approx(RECTANGLE, abs=1e-9)


@pytest.mark.parametrize(("turn", "shear"), [(1.7, 0.0), (-0.4, 0.1), (0.0, -0.2)])
def test_turn_and_shear_are_told_and_undone(turn: float, shear: float) -> None:
    corners = turned(turn, shear)
    lean = lean_of(corners)
    assert lean.turn_deg == pytest.approx(turn + shear / 2, abs=1e-6)
    assert lean.shear_deg == pytest.approx(shear, abs=1e-6)
    cut = cut_for(corners, 0.0)
    ring = np.array([[-0.5, -0.5], [cut.size.width_px - 0.5, -0.5]])
    assert np.hypot(*(project(cut.picture_from_cut, ring) - corners[:2]).T).max() < 0.51  # rounding to whole pixels
    assert abs(cut.size.width_px - 400) <= 1 and abs(cut.size.height_px - 300) <= 1


def test_what_is_square_already_is_copied_bit_for_bit() -> None:
    pixels = np.random.default_rng(1).integers(0, 65536, (360, 450, 3), dtype=np.uint16)
    cut = cut_for(turned(0.015), 3.0)
    assert cut.is_whole and missing_px(cut, Size(450, 360)) == 0
    with ThreadPoolExecutor(1) as pool:
        made = np.concatenate([rows for _, rows in cut_bands(HeldSource(pixels), cut, 64, Resample.USUAL, pool)])
    x0, y0 = project(cut.picture_from_cut, np.zeros(2)).astype(int)
    assert np.array_equal(made, pixels[y0 : y0 + cut.size.height_px, x0 : x0 + cut.size.width_px])


def test_a_smooth_picture_is_read_at_the_right_places_in_any_bands() -> None:
    y, x = np.mgrid[0:360, 0:450]
    pixels = np.stack([100 * x, 120 * y, 50 * (x + y)], axis=2).astype(np.uint16)
    cut = cut_for(turned(1.1, 0.1, taper_px=0.4), -2.0)
    with ThreadPoolExecutor(2) as pool:
        by_rows = [
            np.concatenate([rows for _, rows in cut_bands(HeldSource(pixels), cut, count, Resample.USUAL, pool)])
            for count in (37, 300)
        ]
    assert np.array_equal(*by_rows)
    inner = np.stack(np.meshgrid(np.arange(cut.size.width_px), np.arange(cut.size.height_px)), axis=-1)
    at = project(cut.picture_from_cut, inner.astype(float))
    assert np.abs(by_rows[0][..., 0] / 100.0 - at[..., 0]).max() < 0.06  # the cubic's own shift on a ramp is 0.05
    assert np.abs(by_rows[0][..., 1] / 120.0 - at[..., 1]).max() < 0.06
