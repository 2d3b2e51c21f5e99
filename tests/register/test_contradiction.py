"""Scans laid over each other that show different things are refused or named, even where a part of them agrees."""

import numpy as np
import pytest

from stitch.errors import RegisterError
from stitch.imaging.affine import IDENTITY, rigid
from stitch.imaging.placed_map import PlacedMap
from stitch.model.geometry import Size
from stitch.register.apart import held_distances
from stitch.register.overlap_patches import NO_SPOTS
from stitch.register.patches import Measured, Side, measure
from stitch.register.refine import FINE
from stitch.register.subpixel import MARGIN_PX, estimate
from tests.held import HeldSource
from tests.register.cutting import CutScans, cut, texture

CODES = 65535


def with_target(scans: CutScans, corners: list[tuple[int, int]], size: tuple[int, int]) -> CutScans:
    """A target of `size` (width, height) laid on the glass of each scan, at another place each time."""
    target = (texture(*size, 77, coarse=0.2) * CODES).astype(np.uint16)
    for (x, y), source in zip(corners, scans.sources.values(), strict=True):
        source.pixels[y : y + size[1], x : x + size[0]] = target
    return scans


@pytest.mark.parametrize("seed", [4, 5, 6])
def test_a_target_that_was_moved_does_not_join_scans_without_common_paint(seed: int) -> None:
    places = [rigid(0.0, 0.0, 0.0), rigid(0.0, 470.0, 0.0)]
    scans = cut(texture(900, 700, seed), places, Size(430, 700), seed=seed)
    try:
        found = with_target(scans, [(60, 300), (10, 70)], (300, 150)).register()
    except RegisterError as refused:
        assert set(refused.scan_ids) == {"S1", "S2"}
    else:
        assert [link.is_weak for link in found.links] == [True]
        assert "show different things" in found.links[0].reason


def test_a_target_that_was_moved_does_no_harm_where_the_paint_agrees() -> None:
    places = [rigid(0.01, 10.0, 12.0), rigid(-0.004, 250.0, 9.0)]
    scans = cut(texture(900, 760, 6), places, Size(500, 700), seed=6)
    found = with_target(scans, [(260, 300), (10, 20)], (120, 60)).register()
    assert not any(link.is_weak for link in found.links)
    assert np.percentile(scans.misregistration_px(found), 99) < 0.15


@pytest.mark.parametrize("border_px", [120, pytest.param(180, marks=pytest.mark.slow)])
def test_a_scan_of_another_painting_with_the_same_border_is_refused(border_px: int) -> None:
    frame = texture(1000, 800, 5)
    inside = (slice(border_px, -border_px), slice(border_px, -border_px))
    ours, other = frame.copy(), frame.copy()
    ours[inside], other[inside] = texture(1000, 800, 1)[inside], texture(1000, 800, 50)[inside]
    places = [rigid(0.004, 3, 5), rigid(-0.006, 402, 2), rigid(0.002, 1, 303), rigid(0.007, 399, 300)]
    scans = cut(ours, places, Size(590, 490), seed=1)
    scans.sources["Z"] = cut(other, places, Size(590, 490), seed=2).sources["S1"]
    with pytest.raises(RegisterError) as caught:
        scans.register()
    assert "Z" in caught.value.scan_ids


def measured(pixels_a: np.ndarray, pixels_b: np.ndarray) -> Measured:
    sources = [HeldSource((np.clip(p, 0, 1) * CODES).astype(np.uint16)) for p in (pixels_a, pixels_b)]
    sides = [Side(n, s, PlacedMap(IDENTITY, s.size), NO_SPOTS) for n, s in zip("AB", sources, strict=True)]
    return measure(*sides, 0, FINE)


def test_what_counts_as_contrary_is_paint_not_noise() -> None:
    rng = np.random.default_rng(3)
    noise = [0.02 * rng.standard_normal((400, 500, 3)) for _ in range(4)]
    blank = measured(0.8 + noise[0], 0.8 + noise[1])
    assert blank.offered_count > 40
    assert blank.textured_count < 3
    same = measured(texture(500, 400, 1) + noise[0], texture(500, 400, 1) + noise[1])
    assert same.textured_count > 0.9 * same.offered_count
    assert same.contrary_share < 0.05
    other = measured(texture(500, 400, 1) + noise[2], texture(500, 400, 2) + noise[3])
    assert other.contrary_share > 0.9


def stripes(seed: int, count: int, size: int) -> tuple[np.ndarray, np.ndarray]:
    """Patches that change across x only, twice with fresh noise."""
    rng = np.random.default_rng(seed)
    wave = np.sin(np.arange(size + 2 * MARGIN_PX) / 3.0 + rng.uniform(0, 6, (count, 1)))[:, None, :]
    wide = np.repeat(wave, size + 2 * MARGIN_PX, axis=1)
    noisy = [(wide + 0.1 * rng.standard_normal(wide.shape)).astype(np.float32) for _ in range(2)]
    inner = slice(MARGIN_PX, -MARGIN_PX)
    return noisy[0][:, inner, inner], noisy[1]


@pytest.mark.parametrize("seed", [1, 2])
def test_a_stripe_is_measured_across_and_not_along(seed: int) -> None:
    """Along a stripe only noise has gradients, and noise must not be taken for something that holds."""
    found = estimate(*stripes(seed, 40, 48))
    across, along = found.covariance_px2[:, 0, 0], found.covariance_px2[:, 1, 1]
    assert np.sqrt(np.median(across)) < 0.1
    assert np.sqrt(np.median(along)) > 1.0
    held = held_distances(found.shift_px, found.covariance_px2)
    assert np.median(held) < 0.05
    assert np.median(np.hypot(*found.shift_px.T)) > 2 * np.median(held)


def test_distances_count_only_what_was_held() -> None:
    off = np.array([[0.3, 0.4], [0.3, 9.0], [5.0, 9.0]])
    free, held = 4.0, 0.0004
    covariance = np.array([np.diag([held, held]), np.diag([held, free]), np.diag([free, free])])
    np.testing.assert_allclose(held_distances(off, covariance), [0.5, 0.3])
