"""Corners that a scanner program filled when it straightened a scan: wedges of one colour, without any noise."""

from __future__ import annotations

from collections import Counter
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

LEAST_DEPTH_PX = 2  # of a wedge in a small copy
LEAST_SHARE = 0.25  # of a side that a wedge runs along
LEAST_SIDES = 3
STRAIGHT_PX = 1.0  # a wedge's own edge is a straight line


def is_filled(codes: NDArray[Any]) -> bool:
    """Whether wedges lie along at least three sides of a small copy (h, w, 3)."""
    sides = (codes, codes[:, ::-1], codes.transpose(1, 0, 2), codes.transpose(1, 0, 2)[:, ::-1])
    return sum(_has_wedge(side) for side in sides) >= LEAST_SIDES


def filled_px(codes: NDArray[Any]) -> NDArray[np.bool_]:
    """Which px of a small copy (h, w, 3) are filled corners, (h, w); none where no program filled any."""
    if not is_filled(codes):
        return np.zeros(codes.shape[:2], np.bool_)
    ends = (codes[0, 0], codes[0, -1], codes[-1, 0], codes[-1, -1])
    fill = Counter(tuple(int(v) for v in end) for end in ends).most_common(1)[0][0]
    is_fill = (codes == np.array(fill, codes.dtype)).all(axis=2)
    labels = cv2.connectedComponents(is_fill.astype(np.uint8))[1]
    corners = labels[[0, 0, -1, -1], [0, -1, 0, -1]]  # not what is clipped farther in
    return np.asarray(is_fill & np.isin(labels, corners))


def _has_wedge(codes: NDArray[Any]) -> bool:
    """Whether the colour of one of the two corners runs along the left side, ever less deep, down to nothing."""
    return any(
        _run_length(part) >= LEAST_SHARE * len(part) and _is_wedge(_depths(part)) for part in (codes, codes[::-1])
    )


def _run_length(codes: NDArray[Any]) -> int:
    """How many px of the left side, from the top on, are exactly as the top left corner."""
    other = (codes[:, 0] != codes[0, 0]).any(axis=1)
    return int(other.argmax())


def _depths(codes: NDArray[Any]) -> NDArray[np.intp]:
    """How many px from the left are exactly as the top left corner, in each row."""
    reach = max(2, codes.shape[1] // 8)
    other = (codes[:, :reach] != codes[0, 0]).any(axis=2)
    return np.where(other.any(axis=1), other.argmax(axis=1), reach)


def _is_wedge(depths: NDArray[np.intp]) -> bool:
    length = int(np.flatnonzero(depths == 0)[0])
    if depths[: length // 4 + 1].max() < LEAST_DEPTH_PX:
        return False
    rows = np.arange(length // 8, length)  # the corner itself may be cut off by the next side's wedge
    line = np.polyfit(rows, depths[rows], 1)
    return bool(line[0] < 0 and np.abs(np.polyval(line, rows) - depths[rows]).max() < STRAIGHT_PX)
