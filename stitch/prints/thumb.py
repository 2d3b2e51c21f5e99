"""A small copy of a print, made while its rows go by."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.model.geometry import Size


class Thumb:
    """Means over whole blocks of pixels; what is left at the right and bottom is less than a block."""

    def __init__(self, size: Size, long_side_px: int = 420) -> None:
        self.factor = max(1, -(-max(size.width_px, size.height_px) // long_side_px))
        self._waiting = np.zeros((0, size.width_px, 3), np.uint8)
        self._rows: list[NDArray[np.uint8]] = []

    def write_rows(self, rows: NDArray[np.uint8] | NDArray[np.uint16]) -> None:
        """Take rows (n, width, 3) from the top down."""
        eight = (rows >> 8).astype(np.uint8) if rows.dtype == np.uint16 else rows
        self._waiting = np.concatenate([self._waiting, eight])
        count = self._waiting.shape[0] // self.factor
        if count:
            whole = self._waiting[: count * self.factor, : self._waiting.shape[1] // self.factor * self.factor]
            shape = (whole.shape[1] // self.factor, count)
            self._rows.append(np.asarray(cv2.resize(whole, shape, interpolation=cv2.INTER_AREA), dtype=np.uint8))
            self._waiting = self._waiting[count * self.factor :]

    def picture(self) -> NDArray[np.uint8]:
        """The copy, uint8 (h, w, 3)."""
        return np.concatenate(self._rows)
