"""Sub-pixel shifts of patches: against the theoretical bound, reference libraries, foreign edges and straight lines."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from skimage.registration import optical_flow_ilk, phase_cross_correlation

from stitch.register.subpixel import MARGIN_PX, estimate

SIZE = 96
SIDE = SIZE + 2 * MARGIN_PX + 40
INNER = slice(20 + MARGIN_PX, 20 + MARGIN_PX + SIZE)
OUTER = slice(20, 20 + SIZE + 2 * MARGIN_PX)
Array = NDArray[np.float64]


@dataclass(frozen=True)
class Patches:
    """Noisy patches a, b (with margin) that show the same, b moved by `shift`; `bound`: least deviation (x, y)."""

    a: NDArray[np.float32]
    b: NDArray[np.float32]
    shift: Array
    bound: Array

    def errors(self) -> Array:
        return estimate(self.a, self.b).shift_px - self.shift


def paint(rng: np.random.Generator, blur_px: float = 1.6) -> Array:
    clean = cv2.GaussianBlur(rng.standard_normal((SIDE, SIDE)), (0, 0), blur_px)
    return clean / clean.std()


def moved(clean: Array, shift: Array) -> Array:
    """The same paint further right and down by a shift, exact for what repeats at its border (Fourier's theorem)."""
    fx, fy = np.fft.fftfreq(SIDE), np.fft.fftfreq(SIDE)[:, None]
    return np.fft.ifft2(np.fft.fft2(clean) * np.exp(-2j * np.pi * (fx * shift[0] + fy * shift[1]))).real


def patches(seed: int, sigma: float, count: int = 60, blur_px: float = 1.6) -> Patches:
    """Random paint with noise of `sigma` times its contrast in both patches."""
    rng = np.random.default_rng(seed)
    a, b, shifts, information = [], [], [], []
    for _ in range(count):
        clean, shift = paint(rng, blur_px), rng.uniform(-0.5, 0.5, 2)
        a.append((clean + sigma * rng.standard_normal(clean.shape))[INNER, INNER])
        b.append((moved(clean, shift) + sigma * rng.standard_normal(clean.shape))[OUTER, OUTER])
        shifts.append(shift)
        slopes = [np.gradient(clean, axis=axis)[INNER, INNER] for axis in (1, 0)]
        information.append([(slope**2).sum() / sigma**2 for slope in slopes])
    bound = np.sqrt(2 / np.mean(information, axis=0))
    return Patches(np.array(a, np.float32), np.array(b, np.float32), np.array(shifts), bound)


@pytest.mark.parametrize("sigma", [0.05, 0.10])
@pytest.mark.parametrize("seed", [101, 102, 103])
def test_deviation_on_both_axes_is_near_the_bound(sigma: float, seed: int) -> None:
    """Robinson and Milanfar, IEEE TIP 13(9), 2004: variance ≥ 2σ²/Σf_x² when both patches are noisy.

    Limits of our own: 0.9 to 2 times the bound, and a bias below 0.5 of it (60 patches leave 0.13 to chance).
    """
    found = patches(seed, sigma)
    error = found.errors()
    ratio, bias = error.std(axis=0) / found.bound, error.mean(axis=0) / found.bound
    assert (ratio >= 0.9 * 0.9).all() and (ratio <= 2.0).all()  # of 60 patches: ±9 % by chance
    assert np.abs(bias).max() < 0.5


@pytest.mark.parametrize("sigma", [0.05, 0.10])
def test_over_all_seeds_nothing_is_better_than_the_bound_allows(sigma: float) -> None:
    """More precise than the bound would mean that the truth leaks into the estimate."""
    runs = [patches(seed, sigma, 50) for seed in range(110, 115)]
    error = np.concatenate([run.errors() for run in runs])
    bound = np.sqrt(np.mean([run.bound**2 for run in runs], axis=0))
    ratio = error.std(axis=0) / bound
    assert (ratio >= 0.9).all() and (ratio <= 2.0).all()
    assert np.abs(error.mean(axis=0) / bound).max() < 0.25


@pytest.mark.parametrize("part", ["near", "half"])
def test_bias_does_not_depend_on_the_fraction_of_a_pixel(part: str) -> None:
    """A gradient estimator's first-order bias grows with the shift (Robinson and Milanfar 2004); this one has none."""
    found = patches(120, 0.1, 120)
    size = np.abs(found.shift)
    chosen = size < 0.15 if part == "near" else size > 0.35
    outwards = (found.errors() * np.sign(found.shift))[chosen]
    assert abs(outwards.mean()) < 0.6 * found.bound.max()


def by_phase(a: Array, b: Array) -> Array:
    """scikit-image: upsampled phase correlation (Guizar-Sicairos, Thurman and Fienup, Opt. Lett. 33, 2008)."""
    window = np.outer(np.hanning(SIZE), np.hanning(SIZE))
    inner = b[MARGIN_PX:-MARGIN_PX, MARGIN_PX:-MARGIN_PX]
    found, _, _ = phase_cross_correlation(a * window, inner * window, upsample_factor=100, normalization=None)
    return -found[::-1]


def by_flow(a: Array, b: Array) -> Array:
    """scikit-image: iterative Lucas–Kanade flow (Le Besnerais and Champagnat, ICIP 2005), its mean inside the patch."""
    inner = b[MARGIN_PX:-MARGIN_PX, MARGIN_PX:-MARGIN_PX]
    v, u = optical_flow_ilk(a, inner, radius=15, num_warp=8)
    middle = slice(16, -16)
    return np.array([u[middle, middle].mean(), v[middle, middle].mean()])


@pytest.mark.parametrize("sigma", [0.05, 0.10])
def test_no_reference_estimator_is_better_on_the_same_patches(sigma: float) -> None:
    found = patches(130, sigma, 16)
    ours = float(np.sqrt((found.errors() ** 2).mean()))
    for other in (by_phase, by_flow):
        shifts = np.array([other(a, b) for a, b in zip(found.a, found.b, strict=True)])
        theirs = float(np.sqrt(((shifts - found.shift) ** 2).mean()))
        assert theirs < 0.1  # both measure the same thing, with the same sign
        assert ours <= theirs


@pytest.mark.parametrize("axis", [0, 1])
@pytest.mark.parametrize("seed", [140, 141])
def test_an_edge_that_lies_elsewhere_in_the_two_scans_does_not_drag_the_paint_along(axis: int, seed: int) -> None:
    """The edge of a lifted sheet, 0.8 px off the paint and as strong as all of it, at a tenth of the patch."""
    rng = np.random.default_rng(seed)
    a, b, shifts = [], [], []
    for _ in range(12):
        clean, shift = paint(rng, 2.5), rng.uniform(-0.4, 0.4, 2)
        place = np.arange(SIDE) - (20 + MARGIN_PX + SIZE * 0.1)
        edges = [3 / (1 + np.exp(-np.clip((place - off) / 0.4, -50, 50))) for off in (0.0, shift[axis] + 0.8)]
        edges = [np.tile(e, (SIDE, 1)) if axis == 0 else np.tile(e[:, None], (1, SIDE)) for e in edges]
        pictures = [clean + edges[0], moved(clean, shift) + edges[1]]
        pictures = [p + 0.03 * rng.standard_normal(p.shape) for p in pictures]
        bands = [cv2.GaussianBlur(p, (0, 0), 0.7) - cv2.GaussianBlur(p, (0, 0), 6.0) for p in pictures]
        a.append(bands[0][INNER, INNER])
        b.append(bands[1][OUTER, OUTER])
        shifts.append(shift)
    error = estimate(np.array(a, np.float32), np.array(b, np.float32)).shift_px - np.array(shifts)
    assert np.abs(error.mean(axis=0)).max() < 0.05
    assert np.abs(error).max() < 0.15


@pytest.mark.parametrize("angle_deg", [0, 20, 45, 90, 130])
def test_a_straight_edge_holds_across_and_not_along(angle_deg: int) -> None:
    rng = np.random.default_rng(angle_deg)
    across = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    along = np.array([-across[1], across[0]])
    ys, xs = np.mgrid[:SIDE, :SIDE] - (SIDE - 1) / 2
    a, b = [], []
    for _ in range(6):
        pictures = [
            1 / (1 + np.exp(-np.clip((xs * across[0] + ys * across[1] - s) / 0.5, -50, 50))) for s in (0.0, 0.3)
        ]
        pictures = [p + 0.02 * rng.standard_normal(p.shape) for p in pictures]
        bands = [cv2.GaussianBlur(p, (0, 0), 0.7) - cv2.GaussianBlur(p, (0, 0), 6.0) for p in pictures]
        a.append(bands[0][INNER, INNER])
        b.append(bands[1][OUTER, OUTER])
    found = estimate(np.array(a, np.float32), np.array(b, np.float32))
    variances, directions = np.linalg.eigh(found.covariance_px2)
    assert (np.sqrt(variances[:, 0]) < 0.05).all()
    assert (np.sqrt(variances[:, 1]) > 1.0).all()
    assert (np.abs(directions[:, :, 1] @ along) > np.cos(np.radians(2))).all()
    assert np.abs(found.shift_px @ across - 0.3).max() < 0.05


@pytest.mark.parametrize("seed", [150, 151])
def test_stated_deviation_is_no_smaller_than_the_real_one(seed: int) -> None:
    for sigma in (0.05, 0.2):
        found = patches(seed, sigma, 40)
        shifts = estimate(found.a, found.b)
        real = ((shifts.shift_px - found.shift) ** 2).mean(axis=0)
        stated = shifts.covariance_px2[:, [0, 1], [0, 1]].mean(axis=0)
        assert (real < stated).all() and (stated < 25 * real).all()


def test_like_patches_correlate_and_others_do_not() -> None:
    one, other = patches(160, 0.05, 6), patches(161, 0.05, 6)
    assert estimate(one.a, one.b).ncc.min() > 0.98
    assert np.abs(estimate(one.a, other.b).ncc).max() < 0.3
