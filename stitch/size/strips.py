"""Profiles across one side of a picture, averaged over short strips along it, and the steps in them.

Everything here looks at the left side; the other sides are turned to the left first.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

STRIP_MM = 8.0
FEWEST_STRIPS, MOST_STRIPS = 12, 64
STEP_MM = 0.5  # means over this length on either side are compared
RIM_MM = 0.5  # left out beside the end of what was scanned


class Side(StrEnum):
    """A side of the painting."""

    LEFT = "left"
    RIGHT = "right"
    TOP = "top"
    BOTTOM = "bottom"


def turned(picture: NDArray[Any], side: Side) -> NDArray[Any]:
    """The picture with `side` brought to the left (mirrored where need be); a view."""
    if side is Side.RIGHT:
        return picture[:, ::-1]
    if side is Side.TOP:
        return np.swapaxes(picture, 0, 1)
    if side is Side.BOTTOM:
        return np.swapaxes(picture[::-1], 0, 1)
    return picture


def turned_back(points: FloatArray, side: Side, width_px: int, height_px: int) -> FloatArray:
    """Points (..., 2) of the turned picture as points of the picture of that width and height."""
    x, y = points[..., 0], points[..., 1]
    if side is Side.RIGHT:
        return np.stack([width_px - 1 - x, y], axis=-1)
    if side is Side.TOP:
        return np.stack([y, x], axis=-1)
    if side is Side.BOTTOM:
        return np.stack([y, height_px - 1 - x], axis=-1)
    return points


@dataclass(frozen=True, slots=True, eq=False)
class Strips:
    """Profiles of strips: `colour` (n, w, 3) 0..1, `is_known` (n, w), `centre_px` (n,) rows, and the steps in them.

    `step[i, x]` compares the means just left and right of the boundary between columns x − 1 and x.
    """

    colour: NDArray[np.float32]
    is_known: NDArray[np.bool_]
    centre_px: FloatArray
    step: NDArray[np.float32]
    first_px: NDArray[np.int64]  # first known column of each strip, a rim left out; w when there is none

    @property
    def has_any(self) -> NDArray[np.bool_]:
        """Strips that hold anything."""
        return self.first_px < self.colour.shape[1]


def cut_strips(
    rgb: NDArray[Any], covered: NDArray[np.bool_], px_per_mm: float, rows: tuple[int, int], depth_px: int
) -> Strips:
    """Average `rgb` (already turned) over strips of rows, as deep as `depth_px` columns from the left."""
    top = {1: 255.0, 2: 65535.0}.get(rgb.dtype.itemsize, 1.0)
    count = int(np.clip((rows[1] - rows[0]) / (STRIP_MM * px_per_mm), FEWEST_STRIPS, MOST_STRIPS))
    bounds = np.linspace(rows[0], rows[1], count + 1).round().astype(int)
    colour = np.zeros((count, depth_px, 3), np.float32)
    known = np.zeros((count, depth_px), dtype=bool)
    for k, (y0, y1) in enumerate(pairwise(bounds)):
        known[k] = covered[y0:y1, :depth_px].mean(axis=0) > 0.98 if y1 > y0 else False
        if known[k].any():
            colour[k] = rgb[y0:y1, :depth_px].mean(axis=0, dtype=np.float32) / top
    rim = max(round(RIM_MM * px_per_mm), 1)
    first = np.where(known.any(axis=1), known.argmax(axis=1) + rim, depth_px)
    step = _steps(colour, known, max(round(STEP_MM * px_per_mm), 1))
    step[np.arange(depth_px) < first[:, None]] = 0.0
    return Strips(colour, known, (bounds[:-1] + bounds[1:] - 1) / 2, step, first)


def _steps(colour: NDArray[np.float32], known: NDArray[np.bool_], reach: int) -> NDArray[np.float32]:
    total = np.pad(np.cumsum(colour, axis=1, dtype=np.float64), ((0, 0), (1, 0), (0, 0)))
    good = np.pad(np.cumsum(known, axis=1), ((0, 0), (1, 0)))
    width = colour.shape[1]
    step = np.zeros(known.shape, np.float32)
    x = np.arange(reach, width - reach + 1)
    x = x[x < width]
    right, left = total[:, x + reach] - total[:, x], total[:, x] - total[:, x - reach]
    whole: NDArray[np.bool_] = good[:, x + reach] - good[:, x - reach] == 2 * reach
    step[:, x] = np.where(whole, np.abs(right - left).max(axis=-1) / reach, 0.0)
    return step


def widened(values: NDArray[np.float32], reach_px: int) -> NDArray[np.float32]:
    """Largest value within `reach_px` columns."""
    return np.asarray(cv2.dilate(values, np.ones((1, 2 * reach_px + 1), np.uint8)))
