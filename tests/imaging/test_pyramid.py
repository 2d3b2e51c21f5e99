from __future__ import annotations

import numpy as np
import pytest

from stitch.imaging import pyramid
from stitch.model.geometry import Size, Window

LEVELS, SIDE = 4, 128
WHOLE = Window(0, 0, SIDE, SIDE)


def values(seed: int) -> np.ndarray:
    return np.random.default_rng(seed).random((SIDE, SIDE, 3)).astype(np.float32)


def mixture(boxes=None, valid=None) -> pyramid.Mixture:
    return pyramid.Mixture(Size(SIDE, SIDE), boxes or [WHOLE] * LEVELS, valid)


def test_the_kernel_is_the_published_one():
    """Burt & Adelson 1983, kernel 1/4 − a/2, 1/4, a, 1/4, 1/4 − a/2; a = 3/8 here."""
    impulse = np.zeros((32, 32), np.float32)
    impulse[16, 16] = 1.0
    a = 3 / 8
    kernel = np.array([0.25 - a / 2, 0.25, a, 0.25, 0.25 - a / 2])
    coarse = pyramid.gaussians(impulse, 1)[1]
    assert coarse[7:10, 8] == pytest.approx(kernel[::2] * a, abs=1e-7)
    impulse = np.roll(impulse, 1, axis=1)
    assert pyramid.gaussians(impulse, 1)[1][8, 8:10] == pytest.approx(kernel[1::2] * a, abs=1e-7)


def test_bands_add_up_to_what_went_in():
    whole = mixture()
    picture = values(1)
    whole.add(picture.copy(), None, np.ones((SIDE, SIDE), bool))
    assert whole.collapsed() == pytest.approx(picture, abs=1e-6)


def test_two_halves_that_agree_add_up_to_either():
    left = np.zeros((SIDE, SIDE), bool)
    left[:, : SIDE // 2] = True
    both = mixture()
    both.add(values(2), None, left)
    both.add(values(2), None, ~left)
    assert both.collapsed() == pytest.approx(values(2), abs=1e-6)


def test_the_transition_is_as_wide_as_the_wavelength():
    """One band at a time: the coarser, the wider its crossing (10 % to 90 %), by about two from one to the next."""
    left = np.zeros((256, 256), bool)
    left[:, :128] = True
    widths = []
    for level, share in enumerate(pyramid.gaussians(left.astype(np.float32), LEVELS)):
        row = share[share.shape[0] // 2]
        inside = np.interp([0.1, 0.9], row[::-1], np.arange(row.size)[::-1])
        widths.append((inside[0] - inside[1]) * 2**level)
    ratios = np.array(widths[2:]) / np.array(widths[1:-1])
    assert ((ratios > 1.6) & (ratios < 2.6)).all()


def test_narrow_boxes_change_nothing():
    """A difference that is zero on one side: each band is worked out only near the border, and that is enough."""
    left = np.zeros((SIDE, SIDE), bool)
    left[:, :70] = True
    a, b = values(3), values(4)
    reaches = [pyramid.band_reach_px(level) for level in range(LEVELS)]
    boxes = [Window(70 - reach, 0, 2 * reach, SIDE).intersection(WHOLE) for reach in reaches]
    results = []
    for mixed in (mixture(), mixture(boxes)):
        base = np.where(left[..., None], a, b)
        mixed.add(a - base, None, left)
        mixed.add(b - base, None, ~left)
        results.append(mixed.collapsed())
    assert results[1] == pytest.approx(results[0], abs=1e-6)
    assert np.abs(results[0]).max() > 0.1


def test_far_from_the_border_nothing_is_added():
    left = np.zeros((SIDE, SIDE), bool)
    left[:, :24] = True
    base = np.where(left[..., None], values(5), values(6))
    mixed = mixture()
    mixed.add(values(5) - base, None, left)
    mixed.add(values(6) - base, None, ~left)
    assert not mixed.collapsed()[:, 24 + pyramid.reach_px(LEVELS) :].any()


def test_what_is_not_known_is_not_made_up():
    """A constant difference known on one half only: fine bands stay flat there, coarse ones carry it on."""
    known = np.zeros((SIDE, SIDE), bool)
    known[:, :64] = True
    junk = np.full((SIDE, SIDE, 3), 0.5, np.float32)
    junk[~known] = 1e3
    mixed = mixture()
    mixed.add(junk, known, np.ones((SIDE, SIDE), bool))
    found = mixed.collapsed()
    assert found[:, :40] == pytest.approx(0.5, abs=1e-5)
    assert found.max() <= 0.5 + 1e-5 and found.min() >= -1e-6
    assert np.abs(np.diff(found, axis=1)).max() < 0.1


@pytest.mark.parametrize("level", range(4))
def test_grids_do_not_depend_on_the_window(level):
    picture = np.random.default_rng(7).random((256, 256)).astype(np.float32)
    whole = pyramid.gaussians(picture, 4)[level]
    inner = pyramid.aligned(Window(70, 50, 90, 100), 4)
    part = pyramid.gaussians(picture[inner.slices_in(Window(0, 0, 256, 256))].copy(), 4)[level]
    there = whole[inner.y0_px >> level : inner.y1_px >> level, inner.x0_px >> level : inner.x1_px >> level]
    rim = slice(2, -2)
    assert part[rim, rim] == pytest.approx(there[rim, rim], abs=1e-6)
