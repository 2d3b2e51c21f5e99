"""Which part of a work holds most: where fine differences lie, on a small copy."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

BLUR_PX = 2.0
LEAST = 0.5  # 8-bit codes: less is no detail
WORTH_MOVING = 1.02  # a part must hold so much more than the middle one


def fullest_middle(small: NDArray[np.uint8], width_share: float, height_share: float) -> tuple[float, float]:
    """Middle, as shares of width and height, of the part of that size that holds most detail.

    small : (h, w, 3). Where no part holds clearly more than the middle one, the middle is taken.
    """
    grey = small.astype(np.float32).mean(axis=2)
    detail = np.maximum(np.abs(grey - cv2.GaussianBlur(grey, (0, 0), BLUR_PX)) - LEAST, 0.0)
    return _along(detail.sum(axis=0), width_share), _along(detail.sum(axis=1), height_share)


def _along(detail: NDArray[np.float32], share: float) -> float:
    count = detail.size
    length = min(max(round(share * count), 1), count)
    total = np.concatenate([[0.0], np.cumsum(detail, dtype=np.float64)])
    held = total[length:] - total[:-length]
    best, middle = int(held.argmax()), (count - length) // 2
    start = best if held[best] > WORTH_MOVING * held[middle] else middle
    return 0.5 if start == middle else (start + length / 2) / count
