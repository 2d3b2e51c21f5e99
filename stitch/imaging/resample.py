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
    shift = whole_pixel_shift(canvas_from_scan)
    if shift is not None:
        return _shifted(pixels, source, shift, canvas)
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


def whole_pixel_shift(canvas_from_scan: FloatArray) -> tuple[int, int] | None:
    """The shift (x, y) when the map is exactly a shift by whole pixels, else None."""
    x, y = canvas_from_scan[:, 2]
    if not np.array_equal(canvas_from_scan[:, :2], np.eye(2)) or x != round(x) or y != round(y):
        return None
    return round(x), round(y)


def _shifted(pixels: NDArray[Any], source: Window, shift: tuple[int, int], canvas: Window) -> NDArray[Any]:
    rows = np.arange(canvas.y0_px, canvas.y1_px) - shift[1] - source.y0_px
    columns = np.arange(canvas.x0_px, canvas.x1_px) - shift[0] - source.x0_px
    if rows[0] >= 0 and columns[0] >= 0 and rows[-1] < source.height_px and columns[-1] < source.width_px:
        return pixels[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    rows = rows.clip(0, source.height_px - 1)
    columns = columns.clip(0, source.width_px - 1)
    return pixels[rows[:, None], columns]


def _lowpassed(pixels: NDArray[Any], scale: float) -> NDArray[Any]:
    reach = lowpass_reach_px(scale)
    if reach == 0:
        return pixels
    taps = np.arange(-reach, reach + 1, dtype=np.float64)
    kernel = np.sinc(taps * scale) * np.sinc(taps * scale / LOWPASS_LOBES)
    kernel[np.abs(taps * scale) >= LOWPASS_LOBES] = 0.0
    kernel /= kernel.sum()
    return cv2.sepFilter2D(pixels, -1, kernel, kernel, borderType=cv2.BORDER_REPLICATE)
