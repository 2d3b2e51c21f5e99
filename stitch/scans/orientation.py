"""The Orientation tag (TIFF 6.0 tag 274; Exif uses the same values), applied by mapping windows.

The standard says where row 0 and column 0 of the stored picture lie when it is looked at:
1 top/left, 2 top/right, 3 bottom/right, 4 bottom/left, 5 left/top, 6 right/top, 7 right/bottom, 8 left/bottom.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.model.geometry import Size, Window

DOWN, ACROSS, BOTH = 0, 1, -1  # cv2.flip's codes


@dataclass(frozen=True, slots=True)
class Turn:
    """Stored to shown: first swap rows and columns, then mirror."""

    swaps_axes: bool
    flips_x: bool
    flips_y: bool


TURNS = {
    1: Turn(swaps_axes=False, flips_x=False, flips_y=False),
    2: Turn(swaps_axes=False, flips_x=True, flips_y=False),
    3: Turn(swaps_axes=False, flips_x=True, flips_y=True),
    4: Turn(swaps_axes=False, flips_x=False, flips_y=True),
    5: Turn(swaps_axes=True, flips_x=False, flips_y=False),
    6: Turn(swaps_axes=True, flips_x=True, flips_y=False),
    7: Turn(swaps_axes=True, flips_x=True, flips_y=True),
    8: Turn(swaps_axes=True, flips_x=False, flips_y=True),
}


def swaps_axes(orientation: int) -> bool:
    """True when width and height, and the two resolutions, change places."""
    return TURNS[orientation].swaps_axes


def is_bottom_up(orientation: int) -> bool:
    """True when the first stored row is shown as the last."""
    return TURNS[orientation].flips_y and not TURNS[orientation].swaps_axes


def shown_size(stored: Size, orientation: int) -> Size:
    """Size as looked at."""
    return Size(stored.height_px, stored.width_px) if swaps_axes(orientation) else stored


def stored_window(shown: Window, stored: Size, orientation: int) -> Window:
    """The window of the stored picture that holds the window `shown` of the picture as looked at."""
    turn, size = TURNS[orientation], shown_size(stored, orientation)
    x0 = size.width_px - shown.x1_px if turn.flips_x else shown.x0_px
    y0 = size.height_px - shown.y1_px if turn.flips_y else shown.y0_px
    if turn.swaps_axes:
        return Window(y0, x0, shown.height_px, shown.width_px)
    return Window(x0, y0, shown.width_px, shown.height_px)


def shown_pixels(stored: NDArray[Any], orientation: int) -> NDArray[Any]:
    """Turn pixels [y, x, c] of a stored window into how they are looked at; contiguous."""
    turn = TURNS[orientation]
    if not stored.size:
        return np.empty_like(stored.swapaxes(0, 1) if turn.swaps_axes else stored, order="C")
    pixels = _transposed(stored) if turn.swaps_axes else stored
    if not (turn.flips_x or turn.flips_y):
        return np.ascontiguousarray(pixels)
    code = BOTH if turn.flips_x and turn.flips_y else ACROSS if turn.flips_x else DOWN
    return cv2.flip(np.ascontiguousarray(pixels), code).reshape(pixels.shape)


def _transposed(pixels: NDArray[Any]) -> NDArray[Any]:
    rows, columns, samples = pixels.shape
    return cv2.transpose(np.ascontiguousarray(pixels)).reshape(columns, rows, samples)
