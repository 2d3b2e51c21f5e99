"""A small copy of each scan, made by bands: what features, first placements and the preview work on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging.windows import bands
from stitch.model.geometry import Size
from stitch.model.scans import PixelSource
from stitch.progress import Task

REDUCED_LONG_SIDE_PX = 1200  # enough for SIFT to find hundreds of matches in a 15 % overlap
BAND_BYTES = 24 << 20
WIDEN = 257  # 65535 / 255: an 8-bit value as 16 bits, exactly


@dataclass(frozen=True, slots=True, eq=False, weakref_slot=True)
class Reduced:
    """A scan averaged over blocks of factor × factor pixels.

    `codes` is uint16 (h, w, 3), encoded values of the full 16-bit range. Reduced pixel x is centred on scan px
    factor·x + (factor − 1)/2; columns and rows that do not fill a block are left out.
    """

    scan_id: str
    codes: NDArray[np.uint16]
    factor: int
    scan_size: Size

    @property
    def size(self) -> Size:
        """Size of the reduced grid."""
        return Size(self.codes.shape[1], self.codes.shape[0])

    @property
    def rgb(self) -> NDArray[np.float32]:
        """The encoded values 0..1 as float32 (h, w, 3); made anew at each call."""
        return self.codes * np.float32(1 / 65535)

    @property
    def scan_from_reduced(self) -> NDArray[np.float64]:
        """The map from reduced px to scan px, (2, 3)."""
        offset = (self.factor - 1) / 2
        return np.array([[self.factor, 0.0, offset], [0.0, self.factor, offset]], dtype=np.float64)


def factor_for(size: Size, long_side_px: int = REDUCED_LONG_SIDE_PX) -> int:
    """Side of the blocks that bring the longer side of a scan to about `long_side_px`."""
    return max(1, round(max(size.width_px, size.height_px) / long_side_px))


def reduce_scan(scan_id: str, source: PixelSource, task: Task, factor: int) -> Reduced:
    """Average blocks of factor × factor px of `source`, by bands; advances `task` by the scan's megapixels."""
    size = source.size
    width, height = size.width_px // factor, size.height_px // factor
    codes = np.empty((height, width, 3), dtype=np.uint16)
    rows = max(1, BAND_BYTES // (size.width_px * 6 * factor))
    row = 0
    for band in bands(Size(size.width_px, height * factor), rows * factor):
        pixels = source.read(band)
        count = band.height_px // factor
        codes[row : row + count] = _block_means(pixels[:, : width * factor], factor)
        row += count
        task.advance(band.width_px * band.height_px / 1e6)
    return Reduced(scan_id, codes, factor, size)


def _block_means(pixels: NDArray[Any], factor: int) -> NDArray[np.uint16]:
    height, width = pixels.shape[0] // factor, pixels.shape[1] // factor
    wide = pixels if pixels.dtype == np.uint16 else pixels.astype(np.uint16) * np.uint16(WIDEN)
    return cv2.resize(wide, (width, height), interpolation=cv2.INTER_AREA)  # type: ignore[return-value]
