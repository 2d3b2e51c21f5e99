"""Sampling a scan on the canvas grid, window by window.

One door for the whole tool. Each pixel is made once, through the linear part of a map and its local correction
together. Sampling positions are exact (OpenCV 5's cubic is no longer quantised to 1/32 px); a map that shrinks is
low-passed first so that nothing aliases. Windows are handled in local coordinates, so positions stay exact on canvases
of any size; and they are whole multiples of a small step, so that a pixel comes out the same, bit for bit, whatever
window it is asked in.
"""

from __future__ import annotations

import math
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging import doubling
from stitch.imaging.affine import FloatArray, apply, corners, invert, scale_of
from stitch.imaging.placed_map import PlacedMap
from stitch.imaging.windows import blocks
from stitch.model.geometry import Size, Window
from stitch.model.settings import Resample

Map = PlacedMap | FloatArray
"""The whole map of a placed scan, or a plain linear one (2, 3), canvas px from scan px."""

Terms = tuple[NDArray[Any], ...]
"""Arrays that broadcast together and whose sum is a position at every pixel (h, w)."""

KERNEL_REACH_PX = 3  # source pixels a cubic sample needs around it, with one to spare
LOWPASS_LOBES = 3  # lobes of the windowed sinc used when shrinking
BLOCK_PX = 512  # side of the parts of a window whose positions are held at once
FINE_BLOCK_PX = 192  # the same where a doubled grid is held, too
NEARLY_FULL = 0.9  # canvas px per scan px: below it the parts are smaller, as each takes more of the scan
STEPS_PER_PX = 4096  # positions are rounded to this, so that they are the same numbers whatever they are counted from
DOUBLED_ABOVE = 0.5  # canvas px per scan px; at and below it the low-passed scan is as smooth as a doubled one


def source_window(placed: Map, canvas: Window, scan_size: Size, *, how: Resample = Resample.USUAL) -> Window:
    """The part of the scan needed to sample `canvas` (a canvas window); empty when they do not meet."""
    low, high = _bounds(placed, canvas)
    scale = scale_of(linear_part(placed))
    reach = KERNEL_REACH_PX + lowpass_reach_px(scale) + (doubling.HALF_TAPS if how is Resample.FINE else 0)
    x0, y0 = np.floor(low).astype(int) - reach
    x1, y1 = np.ceil(high).astype(int) + reach + 1
    return Window(int(x0), int(y0), int(x1 - x0), int(y1 - y0)).clipped(scan_size)


def lowpass_reach_px(scale: float) -> int:
    """Half-width of the low-pass used before sampling at `scale` (canvas px per scan px); 0 when not shrinking."""
    return 0 if scale >= 0.999 else math.ceil(LOWPASS_LOBES / scale)


def linear_part(placed: Map) -> FloatArray:
    """The linear part of a map, canvas px from (straightened) scan px."""
    return placed.canvas_from_straight if isinstance(placed, PlacedMap) else placed


def sample(
    pixels: NDArray[Any], source: Window, placed: Map, canvas: Window, *, how: Resample = Resample.USUAL
) -> NDArray[Any]:
    """Sample `pixels` (which hold `source` of the scan) at the pixel centres of `canvas`.

    Parameters
    ----------
    pixels : (h, w, 3) or (h, w), uint8, uint16 or float32.
    placed : the whole map, or a (2, 3) float64 matrix, canvas px from scan px.
    how : cubic convolution, or the finer way of `imaging.doubling`.

    Returns
    -------
    Array of the canvas window's shape and the dtype of `pixels`; outside the source the edge pixel repeats, so mask
    with `coverage`. Whole-pixel shifts return the pixels themselves, bit for bit.
    """
    linear = linear_part(placed)
    if is_whole_pixel(placed):
        return _picked(pixels, source, linear, canvas)
    pixels = _lowpassed(pixels, scale_of(linear))
    return _by_blocks(pixels, source, placed, canvas, how)


def coverage(scan_size: Size, placed: Map, canvas: Window, inset_px: float = 0.0) -> NDArray[np.bool_]:
    """Which pixels of the canvas window have their centre inside the scan, at least `inset_px` from its border.

    A centre counts as inside from the first to the last pixel centre of the scan.
    """
    u, v = positions(placed, canvas)
    slack = 1e-6
    low, high_u, high_v = (
        inset_px - slack,
        scan_size.width_px - 1 - inset_px,
        scan_size.height_px - 1 - inset_px,
    )
    return (u >= low) & (u <= high_u + slack) & (v >= low) & (v <= high_v + slack)


def positions(placed: Map, canvas: Window) -> tuple[FloatArray, FloatArray]:
    """Scan px of every pixel centre of a canvas window: x and y, (h, w) each."""
    if isinstance(placed, PlacedMap) and not placed.is_linear:
        return placed.positions(canvas)
    inverse = invert(linear_part(placed))
    xs = np.arange(canvas.x0_px, canvas.x1_px, dtype=np.float64)
    ys = np.arange(canvas.y0_px, canvas.y1_px, dtype=np.float64)[:, None]
    return (
        inverse[0, 0] * xs + inverse[0, 1] * ys + inverse[0, 2],
        inverse[1, 0] * xs + inverse[1, 1] * ys + inverse[1, 2],
    )


def is_whole_pixel(placed: Map) -> bool:
    """True when the map only moves whole pixels: a quarter turn (or none) and a shift by whole numbers, exactly."""
    matrix = linear_part(placed)
    linear, shift = matrix[:, :2], matrix[:, 2]
    is_turn = np.array_equal(np.abs(linear), np.eye(2)) or np.array_equal(np.abs(linear), np.eye(2)[::-1])
    is_whole = is_turn and np.linalg.det(linear) > 0 and np.array_equal(shift, np.round(shift))
    return bool(is_whole and _is_linear(placed))


def _is_linear(placed: Map) -> bool:
    return not isinstance(placed, PlacedMap) or placed.is_linear


def _bounds(placed: Map, canvas: Window) -> tuple[FloatArray, FloatArray]:
    if isinstance(placed, PlacedMap):
        return placed.bounds(canvas)
    local = corners(canvas.width_px, canvas.height_px) + np.array([canvas.x0_px, canvas.y0_px])
    points = apply(invert(placed), local)
    return points.min(axis=0), points.max(axis=0)


def _picked(pixels: NDArray[Any], source: Window, canvas_from_scan: FloatArray, canvas: Window) -> NDArray[Any]:
    """Pixels of a whole-pixel map, by index alone."""
    inverse = np.round(invert(canvas_from_scan)).astype(int)
    xs, ys = np.arange(canvas.x0_px, canvas.x1_px), np.arange(canvas.y0_px, canvas.y1_px)
    columns = inverse[0, 0] * xs + inverse[0, 1] * ys[:, None] + inverse[0, 2] - source.x0_px
    rows = inverse[1, 0] * xs + inverse[1, 1] * ys[:, None] + inverse[1, 2] - source.y0_px
    is_inside = columns.min() >= 0 and rows.min() >= 0
    is_inside &= columns.max() < source.width_px and rows.max() < source.height_px
    if is_inside and inverse[0, 0] == 1:
        return pixels[rows[0, 0] : rows[-1, 0] + 1, columns[0, 0] : columns[0, -1] + 1]
    return pixels[rows.clip(0, source.height_px - 1), columns.clip(0, source.width_px - 1)]


def _by_blocks(pixels: NDArray[Any], source: Window, placed: Map, canvas: Window, how: Resample) -> NDArray[Any]:
    """Sample at positions of their own, part by part, so that positions and a doubled grid are held for one part only.

    Each part sees only the scan around it: cv2.remap takes no side of 32767 pixels and more.
    """
    found = np.empty((canvas.height_px, canvas.width_px, *pixels.shape[2:]), pixels.dtype)
    widest = FINE_BLOCK_PX if how is Resample.FINE else BLOCK_PX
    scale = scale_of(linear_part(placed))
    side = widest if scale > NEARLY_FULL else max(16, int(widest * scale))
    for block in blocks(canvas, side, side):
        _sample_block(pixels, source, placed, block, how, found[block.slices_in(canvas)])
    return found


def _sample_block(
    pixels: NDArray[Any], source: Window, placed: Map, block: Window, how: Resample, into: NDArray[Any]
) -> None:
    is_halved = scale_of(linear_part(placed)) <= DOUBLED_ABOVE
    _sample_steps(pixels, source, _steps(placed, block), how, into, is_halved=is_halved)


def sample_at(
    pixels: NDArray[Any], source: Window, x: FloatArray, y: FloatArray, how: Resample, *, is_halved: bool = False
) -> NDArray[Any]:
    """Sample `pixels` (which hold `source` of a picture) at px positions (h, w) of that picture, used up by it.

    Positions are rounded to whole steps of 1/4096 px. At most `FINE_BLOCK_PX` a side where `how` is fine.
    `is_halved` : the pixels were low-passed to half their band already, so that no doubled grid is needed.
    """
    for at in (x, y):
        at *= STEPS_PER_PX
        np.rint(at, out=at)
    found = np.empty((*x.shape, *pixels.shape[2:]), pixels.dtype)
    _sample_steps(pixels, source, ((x,), (y,)), how, found, is_halved=is_halved)
    return found


def _sample_steps(
    pixels: NDArray[Any],
    source: Window,
    steps: tuple[Terms, Terms],
    how: Resample,
    into: NDArray[Any],
    *,
    is_halved: bool,
) -> None:
    """Fill `into` (h, w[, c]) from positions of x and y in whole steps, which are used up."""
    reach = KERNEL_REACH_PX + (doubling.HALF_TAPS if how is Resample.FINE else 0)
    x, columns = _in_pixels(steps[0], source.x0_px, source.width_px, reach)
    y, rows = _in_pixels(steps[1], source.y0_px, source.height_px, reach)
    near = pixels[rows, columns]
    if how is not Resample.FINE:
        cv2.remap(near, x, y, cv2.INTER_CUBIC, dst=into, borderMode=cv2.BORDER_REPLICATE)
        return
    factor = 1 if is_halved else 2
    grid = doubling.doubled(near) if factor == 2 else near.astype(np.float32)
    into[...] = doubling.read_straight(grid, factor * x, factor * y, pixels.dtype, in_steps=True)


def _steps(placed: Map, block: Window) -> tuple[Terms, Terms]:
    """Scan positions of every pixel centre of a canvas window, in whole steps: x and y.

    What columns add, what rows add and what a correction adds are rounded for themselves, so that their sum is never
    written out in double precision.
    """
    across, down = np.arange(block.x0_px, block.x1_px), np.arange(block.y0_px, block.y1_px)
    x_own, y_own = invert(linear_part(placed)) * STEPS_PER_PX
    x, y = _linear_terms(x_own, across, down), _linear_terms(y_own, across, down)
    if not isinstance(placed, PlacedMap) or placed.is_linear:
        return x, y
    bend_x, bend_y = (_in_steps(bend) for bend in placed.bend(block))
    return (bend_x, *x), (bend_y, *y)


def _in_steps(bend: FloatArray) -> NDArray[np.float32]:
    """Distances in px, used up, as whole steps: few enough for float32 to hold them exactly."""
    bend *= STEPS_PER_PX
    return np.rint(bend, out=bend).astype(np.float32)


def _linear_terms(own: FloatArray, across: NDArray[np.int64], down: NDArray[np.int64]) -> Terms:
    by_column, by_row = np.rint(own[0] * across), np.rint(own[1] * down + own[2])
    first = by_column[0]
    return (by_column - first)[None, :], (by_row + first)[:, None]


def _in_pixels(terms: Terms, source_px: int, length_px: int, reach_px: int) -> tuple[NDArray[np.float32], slice]:
    """One axis: positions in the pixels that sampling there needs, and which of a source from `source_px` on these are.

    Positions count from the first of them, in the same steps; few enough pixels from it for float32 to hold them.
    """
    low = sum(float(term.min()) for term in terms) / STEPS_PER_PX - source_px
    high = sum(float(term.max()) for term in terms) / STEPS_PER_PX - source_px
    first = min(max(math.floor(low) - reach_px, 0), length_px - 1)
    last = max(min(math.ceil(high) + reach_px, length_px - 1), first)
    *others, counted = terms
    counted -= (source_px + first) * STEPS_PER_PX
    if low < first - 2 or high > last + 2:  # farther out the edge pixel repeats just the same
        counted = np.clip(sum(others, counted), -2 * STEPS_PER_PX, (last - first + 2) * STEPS_PER_PX)
        others = []
    at, *more = [np.multiply(term, 1 / STEPS_PER_PX).astype(np.float32) for term in (counted, *others)]
    return sum(more, at), slice(first, last + 1)


def _lowpassed(pixels: NDArray[Any], scale: float) -> NDArray[Any]:
    reach = lowpass_reach_px(scale)
    if reach == 0:
        return pixels
    taps = np.arange(-reach, reach + 1, dtype=np.float64)
    kernel = np.sinc(taps * scale) * np.sinc(taps * scale / LOWPASS_LOBES)
    kernel[np.abs(taps * scale) >= LOWPASS_LOBES] = 0.0
    kernel /= kernel.sum()
    return cv2.sepFilter2D(pixels, -1, kernel, kernel, borderType=cv2.BORDER_REPLICATE)
