"""How straight and how sharp sampled pixels are, for the usual and the fine way, over the shifts within a pixel.

Set beside each other: a systematic error on a ramp, and the response at 0.25 cycle/px (as in the spatial frequency
response of ISO 12233), both against an exact signal.
"""

from __future__ import annotations

import numpy as np
import pytest

from stitch.imaging import doubling
from stitch.imaging.affine import invert, rigid
from stitch.imaging.resample import positions, sample, source_window
from stitch.model.geometry import Size, Window
from stitch.model.settings import Resample

SHIFTS = np.round(np.arange(0.0, 0.501, 0.02), 2)
SIZE = Size(300, 60)
WINDOW = Window(20, 16, 256, 24)
STEP = 150.0  # codes per px of the ramp
MIDDLE, SWING = 30000.0, 20000.0


def along(values: np.ndarray, *, is_across: bool, dtype: type = np.uint16) -> np.ndarray:
    """A picture that changes along one axis only, (h, w, 3), codes."""
    plane = np.repeat(values[None, :], SIZE.height_px, axis=0)
    plane = plane if is_across else plane.T
    codes = np.rint(plane) if np.issubdtype(dtype, np.integer) else plane
    return np.ascontiguousarray(np.repeat(codes[..., None], 3, axis=2).astype(dtype))


def shifted(pixels: np.ndarray, shift_px: float, how: Resample, *, is_across: bool) -> np.ndarray:
    """The middle line of the picture moved by `shift_px` along the axis that it changes on, (256,), as float."""
    window = WINDOW if is_across else Window(WINDOW.y0_px, WINDOW.x0_px, WINDOW.height_px, WINDOW.width_px)
    size = Size(pixels.shape[1], pixels.shape[0])
    matrix = rigid(0.0, shift_px, 0.0) if is_across else rigid(0.0, 0.0, shift_px)
    part = source_window(matrix, window, size, how=how)
    out = sample(pixels[part.slices_in(size.window())], part, matrix, window, how=how)[..., 1].astype(np.float64)
    return out[12] if is_across else out[:, 12]


def ramp_error_px(how: Resample, *, is_across: bool) -> float:
    """Largest error of a ramp's mean position over all shifts; the codes' own rounding averages out."""
    ramp = along(STEP * np.arange(SIZE.width_px) + 1000.0, is_across=is_across)
    wanted = np.arange(WINDOW.x0_px, WINDOW.x1_px)
    worst = 0.0
    for shift in SHIFTS:
        line = (shifted(ramp, shift, how, is_across=is_across) - 1000.0) / STEP
        worst = max(worst, abs(float((line - (wanted - shift)).mean())))
    return worst


def responses(how: Resample, cycles_per_px: float, *, is_across: bool) -> np.ndarray:
    """Amplitude that is left of a wave in place, over all shifts and two phases."""
    x, at = np.arange(SIZE.width_px), np.arange(WINDOW.x0_px, WINDOW.x1_px)
    found = []
    for shift in SHIFTS:
        for phase in (0.3, 1.7):
            wave = along(MIDDLE + SWING * np.cos(2 * np.pi * cycles_per_px * x + phase), is_across=is_across)
            line = shifted(wave, shift, how, is_across=is_across) - MIDDLE
            turned = 2 * np.pi * cycles_per_px * (at - shift) + phase
            design = np.column_stack([np.cos(turned), np.sin(turned), np.ones(len(at))])
            found.append(np.linalg.lstsq(design, line, rcond=None)[0][:2] / SWING)
    return np.array(found)


@pytest.mark.parametrize("is_across", [True, False])
@pytest.mark.parametrize(("how", "least_px", "most_px"), [(Resample.USUAL, 0.045, 0.05), (Resample.FINE, 0.0, 0.001)])
def test_a_ramp_keeps_its_place(how: Resample, least_px: float, most_px: float, *, is_across: bool) -> None:
    """The usual way's 0.048 px are those of a cubic with a = −0.75; the lower bound shows that the test sees them."""
    assert least_px <= ramp_error_px(how, is_across=is_across) <= most_px


@pytest.mark.parametrize("is_across", [True, False])
@pytest.mark.parametrize(("how", "least", "most"), [(Resample.USUAL, 0.95, 1.01), (Resample.FINE, 0.994, 1.003)])
def test_a_quarter_cycle_per_pixel_is_kept(how: Resample, least: float, most: float, *, is_across: bool) -> None:
    in_place = responses(how, 0.25, is_across=is_across)[:, 0]
    assert least <= in_place.min() and in_place.max() <= most
    if how is Resample.USUAL:
        assert in_place.min() < 0.98  # what the fine way has to better


@pytest.mark.parametrize("cycles_per_px", [0.05, 0.1, 0.2, 0.25, 0.3])
def test_the_fine_way_moves_no_frequency_by_a_hundredth_of_a_pixel(cycles_per_px: float) -> None:
    in_place, beside = responses(Resample.FINE, cycles_per_px, is_across=True).T
    assert np.abs(np.arctan2(beside, in_place)).max() / (2 * np.pi * cycles_per_px) < 0.01
    assert in_place.min() > 0.99 and in_place.max() < 1.004


@pytest.mark.parametrize(("how", "limit_px"), [(Resample.USUAL, 0.06), (Resample.FINE, 0.01)])
@pytest.mark.parametrize("turn_deg", [0.7, -33.0])
def test_a_turned_map_agrees_with_the_exact_signal(how: Resample, limit_px: float, turn_deg: float) -> None:
    """Waves of up to 0.2 cycle/px in many directions; errors in px of the steepest slope."""
    rng = np.random.default_rng(3)
    frequency, angle = rng.uniform(0.02, 0.2, 9), rng.uniform(0, 2 * np.pi, 9)
    fx, fy, phase = frequency * np.cos(angle), frequency * np.sin(angle), rng.uniform(0, 2 * np.pi, 9)

    def light(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return MIDDLE + 3000.0 * np.sin(2 * np.pi * (fx * x[..., None] + fy * y[..., None]) + phase).sum(axis=-1)

    size = Size(260, 240)
    xs, ys = np.meshgrid(np.arange(size.width_px), np.arange(size.height_px))
    pixels = np.rint(light(xs, ys)).astype(np.uint16)
    matrix = rigid(np.radians(turn_deg), 4.3, 2.6)
    middle = np.array([130.0, 120.0])
    matrix[:, 2] += middle - (matrix[:, :2] @ middle + matrix[:, 2])
    window = Window(70, 60, 120, 120)
    part = source_window(matrix, window, size, how=how)
    out = sample(pixels[part.slices_in(size.window())], part, matrix, window, how=how)
    slope = 3000.0 * 2 * np.pi * frequency.sum()
    assert (np.abs(out - light(*positions(matrix, window))) / slope).max() < limit_px
    assert (np.abs(out - light(*positions(invert(matrix), window))) / slope).max() > 0.1


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_the_fine_way_never_wraps_at_black_and_white(dtype: type) -> None:
    top = np.iinfo(dtype).max
    squares = np.where(np.random.default_rng(4).random((20, 23, 3)) < 0.5, 0, top).astype(dtype)
    edges = squares.repeat(4, axis=0).repeat(4, axis=1)[:, :90]
    size, matrix, window = Size(90, 80), rigid(0.2, 3.37, -2.4), Window(20, 20, 50, 40)
    fine = sample(edges, size.window(), matrix, window, how=Resample.FINE).astype(float)
    usual = sample(edges, size.window(), matrix, window).astype(float)
    assert np.abs(fine - usual).max() < 0.2 * top  # a wrapped code would be off by the whole range
    flat = np.full((80, 90, 3), top, dtype)
    assert (sample(flat, size.window(), matrix, window, how=Resample.FINE) == top).all()
    assert not sample(0 * flat, size.window(), matrix, window, how=Resample.FINE).any()


def test_the_kernel_is_asked_at_the_positions_that_undo_its_own_shift() -> None:
    places = np.linspace(7.0, 9.0, 4001).astype(np.float32)
    asked = places.copy()
    doubling.move_against_cubic(asked)
    s = asked.astype(np.float64) - np.floor(places) - 0.5
    inside = (places > 7.001) & (places < 8.999)
    reads = np.floor(places) + 0.5 + (1 - doubling.CUBIC_SHARE / 4) * s + doubling.CUBIC_SHARE * s**3
    np.testing.assert_allclose(reads[inside], places[inside], atol=3e-6)
    for whole in (7.0, 700.0):
        in_steps = np.linspace(whole, whole + 1.0, 999).astype(np.float32)
        asked = in_steps.copy()
        doubling.move_against_cubic(asked)
        doubling.move_against_cubic(in_steps, in_steps=True)
        np.testing.assert_allclose(in_steps, asked, atol=1e-4)
        assert np.array_equal(doubling.STEPS_PER_PX * in_steps, np.rint(doubling.STEPS_PER_PX * in_steps))
    half = doubling.half_pixel_filter()
    assert half.sum() == pytest.approx(1.0) and np.array_equal(half, half[::-1])


def test_doubling_keeps_the_pixels_themselves() -> None:
    pixels = np.random.default_rng(5).integers(0, 65536, (31, 43, 3)).astype(np.uint16)
    grid = doubling.doubled(pixels)
    assert grid.dtype == np.float32 and grid.shape == (62, 86, 3) and np.array_equal(grid[::2, ::2], pixels)
    assert np.array_equal(doubling.doubled(pixels[..., 2])[::2, ::2], pixels[..., 2])
