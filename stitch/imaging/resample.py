"""Sampling a scan on the canvas grid, window by window.

One door for the whole tool. Sampling positions are exact (OpenCV 5's cubic is no longer quantised to 1/32 px);
a map that shrinks is low-passed first so that nothing aliases. Windows are handled in local coordinates, so
positions stay exact on canvases of any size.
"""

from __future__ import annotations

import math
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import FloatArray, apply, corners, invert, scale_of
from stitch.model.geometry import Size, Window

KERNEL_REACH_PX = 3  # source pixels a cubic sample needs around it, with one to spare
LOWPASS_LOBES = 3  # lobes of the windowed sinc used when shrinking


def source_window(canvas_from_scan: FloatArray, canvas: Window, scan_size: Size) -> Window:
    """The part of the scan needed to sample `canvas` (a canvas window); empty when they do not meet."""
    local = corners(canvas.width_px, canvas.height_px) + np.array([canvas.x0_px, canvas.y0_px])
    points = apply(invert(canvas_from_scan), local)
    reach = KERNEL_REACH_PX + lowpass_reach_px(scale_of(canvas_from_scan))
    x0, y0 = np.floor(points.min(axis=0)).astype(int) - reach
    x1, y1 = np.ceil(points.max(axis=0)).astype(int) + reach + 1
    return Window(int(x0), int(y0), int(x1 - x0), int(y1 - y0)).clipped(scan_size)


def lowpass_reach_px(scale: float) -> int:
    """Half-width of the low-pass used before sampling at `scale` (canvas px per scan px); 0 when not shrinking."""
    return 0 if scale >= 0.999 else math.ceil(LOWPASS_LOBES / scale)


def sample(pixels: NDArray[Any], source: Window, canvas_from_scan: FloatArray, canvas: Window) -> NDArray[Any]:
    """Sample `pixels` (which hold `source` of the scan) at the pixel centres of `canvas`.

    Parameters
    ----------
    pixels : (h, w, 3) or (h, w), uint8, uint16 or float32.
    canvas_from_scan : (2, 3) float64, canvas px from scan px.

    Returns
    -------
    Array of the canvas window's shape and the dtype of `pixels`; outside the source the edge pixel repeats, so mask
    with `coverage`. Whole-pixel shifts return the pixels themselves, bit for bit.
    """
    if is_whole_pixel(canvas_from_scan):
        return _picked(pixels, source, canvas_from_scan, canvas)
    pixels = _lowpassed(pixels, scale_of(canvas_from_scan))
    local = invert(canvas_from_scan)
    offset = local[:, :2] @ np.array([canvas.x0_px, canvas.y0_px]) + local[:, 2]
    offset -= (source.x0_px, source.y0_px)
    matrix = np.column_stack([local[:, :2], offset])
    return cv2.warpAffine(
        pixels,
        matrix,
        (canvas.width_px, canvas.height_px),
        flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )


def coverage(scan_size: Size, canvas_from_scan: FloatArray, canvas: Window, inset_px: float = 0.0) -> NDArray[np.bool_]:
    """Which pixels of the canvas window have their centre inside the scan, at least `inset_px` from its border.

    A centre counts as inside from the first to the last pixel centre of the scan.
    """
    inverse = invert(canvas_from_scan)
    xs = np.arange(canvas.x0_px, canvas.x1_px, dtype=np.float64)
    ys = np.arange(canvas.y0_px, canvas.y1_px, dtype=np.float64)[:, None]
    u = inverse[0, 0] * xs + inverse[0, 1] * ys + inverse[0, 2]
    v = inverse[1, 0] * xs + inverse[1, 1] * ys + inverse[1, 2]
    slack = 1e-6
    low, high_u, high_v = (
        inset_px - slack,
        scan_size.width_px - 1 - inset_px,
        scan_size.height_px - 1 - inset_px,
    )
    return (u >= low) & (u <= high_u + slack) & (v >= low) & (v <= high_v + slack)


def is_whole_pixel(canvas_from_scan: FloatArray) -> bool:
    """True when the map only moves whole pixels: a quarter turn (or none) and a shift by whole numbers, exactly."""
    linear, shift = canvas_from_scan[:, :2], canvas_from_scan[:, 2]
    is_turn = np.array_equal(np.abs(linear), np.eye(2)) or np.array_equal(np.abs(linear), np.eye(2)[::-1])
    return bool(is_turn and np.linalg.det(linear) > 0 and np.array_equal(shift, np.round(shift)))


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


def _lowpassed(pixels: NDArray[Any], scale: float) -> NDArray[Any]:
    reach = lowpass_reach_px(scale)
    if reach == 0:
        return pixels
    taps = np.arange(-reach, reach + 1, dtype=np.float64)
    kernel = np.sinc(taps * scale) * np.sinc(taps * scale / LOWPASS_LOBES)
    kernel[np.abs(taps * scale) >= LOWPASS_LOBES] = 0.0
    kernel /= kernel.sum()
    return cv2.sepFilter2D(pixels, -1, kernel, kernel, borderType=cv2.BORDER_REPLICATE)
