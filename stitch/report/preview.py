"""A reduced copy of the master, made band by band."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging.windows import bands, blocks
from stitch.model.geometry import Size, Window
from stitch.model.scans import PixelSource
from stitch.progress import SILENT, Progress

BAND_PIXEL_COUNT = 2_000_000  # about 24 MB of float32 RGB at a time


def preview_size(full: Size, long_side_px: int = 1600) -> Size:
    """Size of the preview of a grid of `full`: its long side is `long_side_px`, or less when the grid is smaller."""
    scale = min(1.0, long_side_px / max(full.width_px, full.height_px))
    return Size(max(1, round(full.width_px * scale)), max(1, round(full.height_px * scale)))


def preview(source: PixelSource, *, long_side_px: int = 1600, progress: Progress = SILENT) -> NDArray[np.uint8]:
    """Reduced copy of `source`, uint8 RGB of shape (h, w, 3).

    Each pixel is the mean, over exactly the area it covers, of the encoded code values; 16-bit values then lose their
    low byte (>> 8). Never enlarged. Memory does not grow with the height of the source.
    """
    full = source.size
    growing = GrowingPreview(full, long_side_px)
    with progress.task("Drawing the picture", full.height_px) as task:
        for band in bands(full, max(1, BAND_PIXEL_COUNT // full.width_px)):
            growing.add(band, source.read(band))
            task.advance(band.height_px)
    return growing.picture()


class GrowingPreview:
    """A reduced copy that takes a picture's rows as they come; each row once."""

    def __init__(self, full: Size, long_side_px: int = 1600) -> None:
        self._full, small = full, preview_size(full, long_side_px)
        self._total = np.zeros((small.height_px, small.width_px, 3), dtype=np.float32)
        self._divisor = 1.0

    def add(self, band: Window, pixels: NDArray[Any]) -> None:
        """Take the pixels of a band of full rows, (n, width, 3), uint8 or uint16."""
        self._divisor = 256.0 if pixels.dtype == np.uint16 else 1.0
        for part in blocks(band, band.width_px, max(1, BAND_PIXEL_COUNT // band.width_px)):
            rows = _narrowed(pixels[part.slices_in(band)], self._total.shape[1])
            _add_band(self._total, rows, part, self._full.height_px)

    def picture(self) -> NDArray[np.uint8]:
        """The copy, uint8 RGB."""
        if self._divisor == 1.0:
            return np.clip(np.rint(self._total), 0, 255).astype(np.uint8)
        return np.clip(np.floor((self._total + 0.01) / self._divisor), 0, 255).astype(np.uint8)


def eight_bit(pixels: NDArray[Any]) -> NDArray[np.uint8]:
    """Code values for display: 16-bit values lose their low byte, 8-bit ones stay."""
    return (pixels >> 8).astype(np.uint8) if pixels.dtype == np.uint16 else pixels.astype(np.uint8)


def _narrowed(pixels: NDArray[Any], width_px: int) -> NDArray[Any]:
    """Mean over the width each output column covers; rows stay as they are."""
    if pixels.shape[1] == width_px:
        return pixels.astype(np.float32)
    shape = (width_px, pixels.shape[0])
    return cv2.resize(pixels.astype(np.float32), shape, interpolation=cv2.INTER_AREA)


def _add_band(total: NDArray[np.float32], rows: NDArray[Any], band: Window, full_height_px: int) -> None:
    """Add each row of the band to the output rows it lies in, weighted by the share of them it covers."""
    ratio = full_height_px / total.shape[0]
    edges = np.arange(band.y0_px, band.y1_px + 1)
    first, last = int(band.y0_px / ratio), min(total.shape[0], int(np.ceil(band.y1_px / ratio)))
    tops = np.arange(first, last)[:, None] * ratio
    weights = np.minimum(edges[1:], tops + ratio) - np.maximum(edges[:-1], tops)
    weights = (np.clip(weights, 0.0, None) / ratio).astype(np.float32)
    total[first:last] += np.tensordot(weights, rows, axes=(1, 0))
