"""Sampling a scan on the canvas grid: exact where it can be; straight, sharp and free of aliases elsewhere."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from stitch.imaging.affine import compose, invert, rigid
from stitch.imaging.resample import coverage, is_whole_pixel, sample, source_window
from stitch.model.geometry import Size, Window
from stitch.model.settings import Resample

SIZE = Size(160, 120)


def noise(seed: int, size: Size = SIZE) -> np.ndarray:
    return np.random.default_rng(seed).integers(0, 65536, (size.height_px, size.width_px, 3)).astype(np.uint16)


def sampled(pixels: np.ndarray, matrix: np.ndarray, canvas: Window) -> np.ndarray:
    size = Size(pixels.shape[1], pixels.shape[0])
    part = source_window(matrix, canvas, size)
    rows, columns = part.slices_in(size.window())
    return sample(pixels[rows, columns], part, matrix, canvas)


@pytest.mark.parametrize("turn", [0, 90, 180, 270])
def test_quarter_turns_and_whole_shifts_move_pixels_only(turn: int) -> None:
    c, s = {0: (1.0, 0.0), 90: (0.0, 1.0), 180: (-1.0, 0.0), 270: (0.0, -1.0)}[turn]
    matrix = np.array([[c, -s, 7.0], [s, c, -3.0]])
    assert is_whole_pixel(matrix)
    pixels = noise(1)
    corners = np.array([[0, 0], [SIZE.width_px - 1, SIZE.height_px - 1]]) @ matrix[:, :2].T + matrix[:, 2]
    low, high = corners.min(axis=0).astype(int), corners.max(axis=0).astype(int)
    window = Window(*low, *(high - low + 1))
    np.testing.assert_array_equal(sampled(pixels, matrix, window), np.rot90(pixels, -turn // 90))


@given(x=st.integers(-50, 150), y=st.integers(-50, 100), width=st.integers(1, 60), height=st.integers(1, 60))
@settings(max_examples=40, deadline=None)
def test_any_window_shows_the_same_pixels(x: int, y: int, width: int, height: int) -> None:
    pixels = noise(2)
    matrix = rigid(0.02, 5.3, -2.6)
    whole = Window(-60, -60, 280, 240)
    window = Window(x, y, width, height)
    rows, columns = window.slices_in(whole)
    inside = coverage(SIZE, matrix, window, inset_px=2)
    everything = sampled(pixels, matrix, whole)[rows, columns]
    part = source_window(matrix, window, SIZE)
    if part.is_empty:
        assert not inside.any()
        return
    off = np.abs(sampled(pixels, matrix, window).astype(int) - everything.astype(int))
    assert off[inside].max(initial=0) <= 8  # positions are float32 inside OpenCV


@pytest.mark.parametrize("shift", [0.1, 0.25, 0.37, 0.5])
def test_a_ramp_stays_where_it_is_within_a_twentieth_of_a_pixel(shift: float) -> None:
    """OpenCV's cubic kernel (a = −0.75) does not reproduce a ramp exactly; this bounds its error."""
    ramp = np.repeat((np.arange(160, dtype=np.float32) * 100)[None, :, None], 40, axis=0).repeat(3, axis=2)
    out = sampled(ramp, rigid(0.0, shift, 0.0), Window(20, 10, 100, 20))
    off = out[..., 0] / 100 - (np.arange(20, 120) - shift)
    assert np.abs(off).max() <= 0.05


def test_positions_agree_with_a_reference_library() -> None:
    """scipy.ndimage.map_coordinates, cubic spline, on a smooth picture: the same places are read."""
    pixels = ndimage.gaussian_filter(noise(3).astype(np.float32), (2.5, 2.5, 0))
    matrix = rigid(np.radians(0.8), 4.37, 2.11)
    window = Window(20, 20, 100, 70)
    inverse = invert(matrix)
    x, y = np.meshgrid(np.arange(20, 120), np.arange(20, 90))
    u = inverse[0, 0] * x + inverse[0, 1] * y + inverse[0, 2]
    v = inverse[1, 0] * x + inverse[1, 1] * y + inverse[1, 2]
    theirs = ndimage.map_coordinates(pixels[..., 1], [v, u], order=3)
    mine = sampled(pixels, matrix, window)[..., 1]
    slope = np.hypot(*np.gradient(theirs)).mean()
    assert np.abs(mine - theirs).mean() < 0.05 * slope  # a twentieth of a pixel's worth of change
    shifted = sampled(pixels, compose(rigid(0.0, 0.3, 0.0), matrix), window)[..., 1]
    assert np.abs(shifted - theirs).mean() > 0.1 * slope


def test_sharpness_is_kept_at_a_quarter_cycle_per_pixel() -> None:
    x = np.arange(400)
    wave = (30000 + 20000 * np.cos(2 * np.pi * 0.25 * x)).astype(np.float32)
    pixels = np.repeat(np.repeat(wave[None, :, None], 30, axis=0), 3, axis=2)
    out = sampled(pixels, rigid(0.0, 0.37, 0.0), Window(50, 10, 256, 8))[4, :, 0]
    response = np.abs(np.fft.rfft(out - out.mean()))[64] * 2 / 256 / 20000
    assert 0.95 <= response <= 1.02


@pytest.mark.parametrize("scale", [0.5, 1 / 3])
def test_shrinking_does_not_alias_and_keeps_the_mean(scale: float) -> None:
    x = np.arange(900)
    fine = (30000 + 20000 * np.cos(2 * np.pi * 0.45 * x)).astype(np.float32)  # beyond the smaller grid's limit
    coarse = (30000 + 20000 * np.cos(2 * np.pi * 0.05 * x)).astype(np.float32)
    matrix = np.array([[scale, 0.0, 0.0], [0.0, scale, 0.0]])
    window = Window(20, 5, round(800 * scale) - 40, 4)
    for wave, low, high in ((fine, 0.0, 0.03), (coarse, 0.93, 1.03)):
        pixels = np.repeat(np.repeat(wave[None, :, None], 90, axis=0), 3, axis=2)
        out = sampled(pixels, matrix, window)[2, :, 0]
        assert low <= np.ptp(out) / 40000 <= high
        assert out.mean() == pytest.approx(30000, rel=0.02)


def test_coverage_counts_pixel_centres_inside_the_scan() -> None:
    matrix = rigid(0.0, 10.0, 20.0)
    covered = coverage(SIZE, matrix, Window(0, 0, 200, 160))
    assert covered.sum() == SIZE.width_px * SIZE.height_px
    assert covered[20, 10] and not covered[19, 10] and not covered[20, 9]
    assert covered[139, 169] and not covered[140, 169]
    assert coverage(SIZE, matrix, Window(0, 0, 200, 160), inset_px=1).sum() == 158 * 118


@pytest.mark.parametrize("how", Resample)
@pytest.mark.parametrize("scale", [1.0, 0.63, 1.4])
def test_a_pixel_is_the_same_bit_for_bit_whatever_window_it_is_asked_in(scale: float, how: Resample) -> None:
    rng = np.random.default_rng(8)
    pixels, size = rng.integers(0, 65536, (300, 340, 3)).astype(np.uint16), Size(340, 300)
    matrix = rigid(0.012, 20.3, 11.7, scale)

    def asked(window: Window) -> np.ndarray:
        needed = source_window(matrix, window, size, how=how)
        return sample(np.ascontiguousarray(pixels[needed.slices_in(size.window())]), needed, matrix, window, how=how)

    whole = Window(0, 0, int(340 * scale), int(300 * scale))
    all_of_it = asked(whole)
    for x, y, width, height in ((40, 20, 7, 60), (31, 17, 150, 41), (100, 30, 93, 150)):
        window = Window(x, y, width, height)
        assert np.array_equal(asked(window), all_of_it[window.slices_in(whole)])
