"""Sampling through a local correction, standard and fine, against a pattern known at every point."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from stitch.imaging.affine import rigid
from stitch.imaging.placed_map import PlacedMap, shifts_of
from stitch.imaging.resample import coverage, is_whole_pixel, sample, source_window
from stitch.model.geometry import Size, Window
from stitch.model.settings import Resample
from tests.bent import correction, pattern, seen

SIZE = Size(200, 170)
CANVAS = Window(-10, -12, 230, 200)
TOP = 65535


def placed_map(seed: int, turn_deg: float, scale: float = 1.0) -> PlacedMap:
    matrix = rigid(np.radians(turn_deg), 4.37, 2.71, scale)
    if turn_deg == 90.0:
        matrix[0, 2] += SIZE.height_px
    return PlacedMap(matrix, SIZE, shifts_of(correction(seed, SIZE), SIZE))


def sampled(pixels: np.ndarray, placed: PlacedMap, canvas: Window, how: Resample) -> np.ndarray:
    part = source_window(placed, canvas, placed.size, how=how)
    return sample(pixels[part.slices_in(placed.size.window())], part, placed, canvas, how=how)


def off(seed: int, placed: PlacedMap, how: Resample, told: PlacedMap, inset_px: float = 18) -> np.ndarray:
    """Errors, in px of the steepest slope, of the pixels well inside, sampled through the map that was `told`."""
    what = pattern(seed)
    out = sampled(seen(what, placed), told, CANVAS, how) / TOP
    truth = what.on(CANVAS.width_px, CANVAS.height_px, x0=CANVAS.x0_px, y0=CANVAS.y0_px)
    inside = coverage(SIZE, placed, CANVAS, inset_px) & coverage(SIZE, told, CANVAS, inset_px)
    assert inside.sum() > 15_000
    return (np.abs(out - truth) / what.slope)[inside]


@pytest.mark.parametrize("turn_deg", [0.0, 0.7, 90.0])
@pytest.mark.parametrize(("how", "limit_px"), [(Resample.USUAL, 0.06), (Resample.FINE, 0.008)])
@pytest.mark.parametrize("seed", range(2))
def test_a_bent_scan_comes_back_straight(seed: int, how: Resample, limit_px: float, turn_deg: float) -> None:
    placed = placed_map(seed, turn_deg)
    assert off(seed, placed, how, placed).max() < limit_px
    assert off(seed, placed, how, placed, 8).max() < limit_px + 0.01  # the field has a corner at the scan's border
    without = replace(placed, shifts=None)
    assert np.percentile(off(seed, placed, how, without), 90) > 0.25  # the test can tell


@pytest.mark.parametrize("how", list(Resample))
def test_a_window_shows_the_same_pixels_as_the_whole(how: Resample) -> None:
    placed = placed_map(5, 0.7)
    pixels = np.random.default_rng(5).integers(0, 65536, (SIZE.height_px, SIZE.width_px, 3)).astype(np.uint16)
    everything = sampled(pixels, placed, CANVAS, how)
    for window in (Window(0, 0, 64, 64), Window(37, 41, 180, 9), Window(70, 40, 61, 140), Window(127, 128, 3, 3)):
        there = np.abs(sampled(pixels, placed, window, how).astype(int) - everything[window.slices_in(CANVAS)])
        inside = coverage(SIZE, placed, window, inset_px=8)
        assert inside.any() and there[inside].max() <= 8  # positions are float32 inside OpenCV


@pytest.mark.parametrize("how", list(Resample))
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
def test_every_kind_of_pixel_goes_through(how: Resample, dtype: type) -> None:
    placed = placed_map(6, 0.7)
    what = pattern(6)
    whole = seen(what, placed, bits=8)
    for planes in (whole, whole[..., 1]):
        out = sampled(planes.astype(dtype), placed, CANVAS, how)
        assert out.dtype == dtype and out.shape == (CANVAS.height_px, CANVAS.width_px, *planes.shape[2:])
        truth = what.on(CANVAS.width_px, CANVAS.height_px, x0=CANVAS.x0_px, y0=CANVAS.y0_px) * 255
        inside = coverage(SIZE, placed, CANVAS, inset_px=8)
        wanted = truth if planes.ndim == 3 else truth[..., 1]
        assert np.abs(out - wanted)[inside].max() < 1.0 + 0.06 * what.slope * 255


def test_a_corrected_scan_on_a_whole_pixel_is_not_a_whole_pixel_map() -> None:
    placed = PlacedMap(rigid(0.0, 3.0, 4.0), SIZE, shifts_of(correction(1, SIZE), SIZE))
    assert not is_whole_pixel(placed)
    straight = replace(placed, shifts=None)
    assert is_whole_pixel(straight) and is_whole_pixel(straight.canvas_from_straight)
    pixels = np.random.default_rng(1).integers(0, 65536, (SIZE.height_px, SIZE.width_px, 3)).astype(np.uint16)
    for how in Resample:
        same = sampled(pixels, straight, Window(3, 4, SIZE.width_px, SIZE.height_px), how)
        assert np.array_equal(same, pixels)


def test_a_linear_map_and_its_matrix_give_the_same_bits() -> None:
    placed = PlacedMap(rigid(0.012, 4.37, 2.71), SIZE)
    pixels = np.random.default_rng(2).integers(0, 65536, (SIZE.height_px, SIZE.width_px, 3)).astype(np.uint16)
    window = Window(30, 20, 160, 130)
    part = source_window(placed, window, SIZE)
    assert part == source_window(placed.canvas_from_straight, window, SIZE)
    there = pixels[part.slices_in(SIZE.window())]
    matrix = placed.canvas_from_straight
    assert np.array_equal(sample(there, part, placed, window), sample(there, part, matrix, window))
    assert np.array_equal(coverage(SIZE, placed, window), coverage(SIZE, matrix, window))


@pytest.mark.parametrize("how", list(Resample))
def test_a_smaller_master_is_straightened_and_free_of_aliases(how: Resample) -> None:
    placed = placed_map(7, 0.7, scale=0.5)
    what = pattern(7)
    window = Window(5, 5, 90, 70)
    out = sampled(seen(what, placed), placed, window, how) / TOP
    truth = what.on(90, 70, x0=5, y0=5)
    inside = coverage(SIZE, placed, window, inset_px=14)
    assert inside.sum() > 3_500
    limit = 0.05 if how is Resample.USUAL else 0.02  # the low-pass takes a little of the shortest waves
    assert (np.abs(out - truth)[inside] / what.slope).max() < limit + 0.05


def test_a_scan_wider_than_a_remap_takes_is_sampled_all_the_same() -> None:
    size = Size(33_500, 24)
    placed = PlacedMap(rigid(0.0, 0.3, 0.2), size, shifts_of(correction(8, size, largest_px=2.0, step_px=900.0), size))
    what = pattern(8)
    pixels = seen(what, placed, part=Window(33_180, 0, 240, 24))
    window = Window(33_200, 6, 200, 10)
    whole = sample(pixels, size.window(), placed, window)
    truth = what.on(200, 10, x0=33_200, y0=6)
    assert (np.abs(whole / TOP - truth) / what.slope).max() < 0.06
