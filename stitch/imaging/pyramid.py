"""Blending by frequency bands, on grids anchored to the canvas.

Burt & Adelson, A Multiresolution Spline with Application to Image Mosaics, ACM Transactions on Graphics 2(4),
217–236, 1983, with their generating kernel 1 4 6 4 1 (a = 3/8). A coarser level keeps the even samples, so windows
must start and end on multiples of 2**levels (`aligned`): then every window works on the same grid.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.model.geometry import Size, Window

Float32Array = NDArray[np.float32]
LEAST_WHOLE = np.float32(1e-30)  # below any weight that a pixel can have
Mask = NDArray[np.bool_]


def reach_px(levels: int) -> int:
    """How far a pixel's result depends on others: 2(2^L − 1) down the pyramid, 2(2^L − 1) up again, rounded up."""
    return 4 * 2**levels


def band_reach_px(level: int) -> int:
    """How far from a border between regions band `level` of the mixture differs from nothing, in full-size px.

    A difference that is zero on one side enters band l through l + 1 levels down and one up: under 6 · 2^l.
    """
    return 8 * 2**level


def aligned(window: Window, levels: int) -> Window:
    """The smallest window around `window` whose sides lie on multiples of 2**levels."""
    step = 2**levels
    x0, y0 = window.x0_px // step * step, window.y0_px // step * step
    x1, y1 = -(-window.x1_px // step) * step, -(-window.y1_px // step) * step
    return Window(x0, y0, x1 - x0, y1 - y0)


class Mixture:
    """Σ_k collapse(w_k · bands(d_k)): differences of several regions, each band mixed by the region's own weight.

    Parameters
    ----------
    size : the window's size; its sides are multiples of 2**levels.
    boxes : for each of the `levels` finer bands the part of the window (full-size px, counted from its corner) in which
        that band can differ from zero; it is worked out nowhere else. The coarsest is worked out everywhere.
    valid : (h, w) where there is anything at all, or None for everywhere.
    """

    def __init__(self, size: Size, boxes: Sequence[Window], valid: Mask | None) -> None:
        self.levels = len(boxes)
        self._boxes = [_at_level(box, size, level) for level, box in enumerate(boxes)]
        self._boxes.append(_level_size(size, self.levels).window())
        self._totals = [np.zeros((box.height_px, box.width_px, 3), np.float32) for box in self._boxes]
        self._size = size
        self._valid = None if valid is None else gaussians(valid.astype(np.float32), self.levels)

    def add(self, difference: Float32Array, known: Mask | None, region: Mask) -> None:
        """Add one region's difference (h, w, 3).

        Where `known` (h, w) is False there is no value: coarser levels then are means of known pixels only, and finer
        bands are zero there, so that nothing is made up. None means known everywhere.
        """
        weights = gaussians(region.astype(np.float32), self.levels)
        counts = None if known is None else gaussians(known.astype(np.float32), self.levels)
        if known is not None:
            difference = _array(cv2.copyTo(difference, known.view(np.uint8)))
        sums = gaussians(difference, self.levels)
        for level, (box, total) in enumerate(zip(self._boxes, self._totals, strict=True)):
            if not box.is_empty:
                weight = _part(weights[level], box)
                if self._valid is not None:
                    weight = _ratio(weight, _part(self._valid[level], box))
                cv2.accumulateProduct(self._band(sums, counts, level, box), _three(weight), total)

    def collapsed(self) -> Float32Array:
        """The sum of all bands at full size (h, w, 3)."""
        total = self._totals[-1]
        for level in reversed(range(self.levels)):
            size = _level_size(self._size, level)
            total = _array(cv2.pyrUp(total, dstsize=(size.width_px, size.height_px)))
            inside = _part(total, self._boxes[level])
            inside += self._totals[level]
        return total

    def _band(
        self, sums: list[Float32Array], counts: list[Float32Array] | None, level: int, box: Window
    ) -> Float32Array:
        fine = _mean(sums, counts, level, box)
        if level == self.levels:
            return fine
        coarse_box = Window(box.x0_px // 2, box.y0_px // 2, box.width_px // 2, box.height_px // 2)
        rim = coarse_box.grown(1).clipped(_level_size(self._size, level + 1))
        smooth = cv2.pyrUp(_mean(sums, counts, level + 1, rim))
        y, x = 2 * (coarse_box.y0_px - rim.y0_px), 2 * (coarse_box.x0_px - rim.x0_px)
        band = _array(cv2.subtract(fine, smooth[y : y + box.height_px, x : x + box.width_px]))
        if counts is not None:
            band = _array(cv2.copyTo(band, (_part(counts[level], box) > 0.0).view(np.uint8)))
        return band


def gaussians(values: Float32Array, levels: int) -> list[Float32Array]:
    """`values` (h, w) or (h, w, c) and `levels` ever coarser copies."""
    found = [values]
    for _ in range(levels):
        found.append(_array(cv2.pyrDown(found[-1])))
    return found


def _mean(sums: list[Float32Array], counts: list[Float32Array] | None, level: int, box: Window) -> Float32Array:
    part = np.ascontiguousarray(_part(sums[level], box))
    return part if counts is None else _ratio(part, _three(_part(counts[level], box)))


def _at_level(box: Window, size: Size, level: int) -> Window:
    """`box` in samples of a level, widened to whole samples of the next coarser one."""
    if box.is_empty:
        return Window(0, 0, 0, 0)
    wide = aligned(box, level + 1).clipped(size)
    return Window(wide.x0_px >> level, wide.y0_px >> level, wide.width_px >> level, wide.height_px >> level)


def _level_size(size: Size, level: int) -> Size:
    return Size(size.width_px >> level, size.height_px >> level)


def _part(values: Float32Array, box: Window) -> Float32Array:
    return values[box.y0_px : box.y1_px, box.x0_px : box.x1_px]


def _three(weights: Float32Array) -> Float32Array:
    return _array(cv2.merge([weights, weights, weights]))


def _ratio(part: Float32Array, whole: Float32Array) -> Float32Array:
    """part ÷ whole, 0 where the whole is 0 (a part never exceeds its whole)."""
    return _array(cv2.divide(part, np.maximum(whole, LEAST_WHOLE)))


def _array(values: Any) -> Float32Array:
    return np.asarray(values, dtype=np.float32)
