"""The parts of registration against published numbers and reference libraries."""

import cv2
import numpy as np
import pytest
from skimage.registration import phase_cross_correlation

from stitch.imaging.affine import rigid
from stitch.model.geometry import Size
from stitch.register.candidates import minimum_matches, overlap_area_px
from stitch.register.fit import Scale, similarity
from stitch.register.subpixel import MARGIN_PX, estimate


def test_similarity_reproduces_the_worked_example_of_umeyama() -> None:
    """Umeyama, IEEE PAMI 13(4), 1991, 376–380: example points (as recalled), exact result by algebra."""
    source = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 2.0]])
    target = np.array([[0.0, 0.0], [-1.0, 0.0], [0.0, 2.0]])
    found = similarity(source, target, Scale.FREE)
    rotation = np.array([[3.0, 2.0], [-2.0, 3.0]]) / np.sqrt(13)
    np.testing.assert_allclose(found[:, :2], rotation * np.sqrt(13) / 5, atol=1e-9)
    np.testing.assert_allclose(found[:, 2], (-0.8, 0.4), atol=1e-9)
    error = ((source @ found[:, :2].T + found[:, 2] - target) ** 2).sum(axis=1).mean()
    assert error == pytest.approx(8 / 15, abs=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_rigid_fit_returns_the_rigid_map_put_in(seed: int) -> None:
    rng = np.random.default_rng(seed)
    source = rng.uniform(-100, 100, (20, 2))
    true = rigid(rng.uniform(-3, 3), 5.0, -7.0)
    found = similarity(source, source @ true[:, :2].T + true[:, 2], Scale.FIXED, rng.uniform(0.1, 1, 20))
    np.testing.assert_allclose(found, true, atol=1e-9)


def test_match_threshold_is_that_of_brown_and_lowe() -> None:
    """Brown and Lowe, IJCV 74(1), 2007: n_i > 8.0 + 0.3 n_f."""
    assert minimum_matches(100) == pytest.approx(38.0)
    assert minimum_matches(20) == pytest.approx(14.0)


def test_overlap_area_of_shifted_and_turned_grids() -> None:
    a, b = Size(100, 50), Size(80, 60)
    assert overlap_area_px(a, b, rigid(0.0, 90.0, 10.0)) == pytest.approx(10 * 40)
    assert overlap_area_px(a, b, rigid(0.0, 200.0, 0.0)) == 0.0
    assert overlap_area_px(a, b, rigid(np.pi / 2, 59.0, 0.0)) == pytest.approx(60 * 50)


def _stacks(seed: int, sigma: float, count: int = 60) -> tuple[np.ndarray, np.ndarray, np.ndarray, float]:
    """Band-limited patches moved by a Fourier shift, both with noise of `sigma` times their contrast."""
    rng = np.random.default_rng(seed)
    size, reach = 96, MARGIN_PX
    side = size + 2 * reach + 40
    a, b, truth, information = [], [], [], []
    for _ in range(count):
        clean = cv2.GaussianBlur(rng.standard_normal((side, side)), (0, 0), 1.6)
        clean /= clean.std()
        shift = rng.uniform(-0.5, 0.5, 2)
        fx, fy = np.fft.fftfreq(side), np.fft.fftfreq(side)[:, None]
        moved = np.fft.ifft2(np.fft.fft2(clean) * np.exp(-2j * np.pi * (fx * shift[0] + fy * shift[1]))).real
        noisy_a = clean + sigma * rng.standard_normal(clean.shape)
        noisy_b = moved + sigma * rng.standard_normal(clean.shape)
        inner = slice(20 + reach, 20 + reach + size)
        outer = slice(20, 20 + size + 2 * reach)
        a.append(noisy_a[inner, inner])
        b.append(noisy_b[outer, outer])
        truth.append(shift)
        information.append((np.gradient(clean, axis=1)[inner, inner] ** 2).sum() / sigma**2)
    bound = float(np.sqrt(2 / np.mean(information)))
    return np.array(a, np.float32), np.array(b, np.float32), np.array(truth), bound


@pytest.mark.parametrize("sigma", [0.05, 0.10])
def test_shift_precision_is_near_the_cramer_rao_bound(sigma: float) -> None:
    """Robinson and Milanfar, IEEE TIP 13(9), 2004: variance ≥ 2σ²/Σf_x² when both patches are noisy.

    Limits of our own: standard deviation within 0.9 and 2 times the bound, bias below 0.3 of it
    (60 patches leave 0.13 to chance).
    """
    a, b, truth, bound = _stacks(1, sigma)
    error = estimate(a, b).shift_px - truth
    for axis in (0, 1):
        assert 0.9 * bound <= error[:, axis].std() <= 2.0 * bound
    assert np.abs(error.mean(axis=0)).max() < 0.3 * bound


def test_shift_agrees_with_a_reference_library() -> None:
    """scikit-image's upsampled phase correlation (Guizar-Sicairos, Thurman and Fienup, Opt. Lett. 33, 2008)."""
    a, b, _, _ = _stacks(2, 0.02, count=8)
    mine = estimate(a, b).shift_px
    window = np.outer(np.hanning(96), np.hanning(96))
    inner = slice(MARGIN_PX, -MARGIN_PX)
    for one, two, shift in zip(a, b, mine, strict=True):
        theirs, _, _ = phase_cross_correlation(
            one * window, two[inner, inner] * window, upsample_factor=50, normalization=None
        )
        np.testing.assert_allclose(shift, -theirs[::-1], atol=0.05)


def test_stated_covariance_covers_the_real_error() -> None:
    a, b, truth, _ = _stacks(3, 0.1)
    found = estimate(a, b)
    stated = np.sqrt(np.trace(found.covariance_px2, axis1=1, axis2=2).mean())
    real = np.sqrt(((found.shift_px - truth) ** 2).sum(axis=1).mean())
    assert real < stated < 4 * real
