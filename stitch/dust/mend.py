"""A speck covered: by what another scan shows there, or by the likest piece of paint nearby.

Either way the piece is fitted to the rim: what it differs by along the rim is spread over the speck by mean values
weighted with the inverse distance (a membrane in the manner of Pérez, Gangnet and Blake, SIGGRAPH 2003, and Farbman et
al., SIGGRAPH 2009), so that tone goes on and texture is real paint. The piece nearby is the one whose surroundings are
likest to those of the speck (exemplars after Criminisi, Pérez and Toyama, IEEE TIP 13(9), 2004).
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import px_from_mm

RIM_MM = 0.5  # of paint around the speck that is compared
SEARCH_MM = 4.0
STRAIGHT_PX = 2  # of rim that the piece is fitted to
FAR_WEIGHT = 0.15  # how much a piece at the end of the search must be better than one beside the speck

Mask = NDArray[np.bool_]


def reach_px(ppi: float) -> int:
    """Pixels around a speck that mending it looks at."""
    return round(px_from_mm(SEARCH_MM + RIM_MM, ppi)) + STRAIGHT_PX + 1


def from_donor(codes: NDArray[Any], donor: NDArray[Any], speck: Mask, dirty: Mask) -> NDArray[Any]:
    """The speck's pixels, (n, 3), from another scan of the same place.

    codes, donor : (h, w, 3). speck : what is to be made. dirty : everything that is not to be trusted, the speck too.
    """
    return _fitted(codes, donor.astype(np.float32), speck, dirty)


def disagreement(codes: NDArray[Any], donor: NDArray[Any], speck: Mask, dirty: Mask) -> float:
    """How far a donor's paint around a speck is from the picture's own, beside a slow difference; of the code range."""
    beside = (cv2.dilate(speck.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0) & ~dirty
    if not beside.any():
        return float("inf")
    off = codes[beside].astype(np.float32) - donor[beside].astype(np.float32)
    return float(np.abs(off - np.median(off, axis=0)).mean() / np.iinfo(codes.dtype).max)


def from_likeness(codes: NDArray[Any], speck: Mask, dirty: Mask, ppi: float) -> NDArray[Any]:
    """The speck's pixels, (n, 3), from the likest place of the window.

    Where there is none the rim's own tone is spread over it; where there is no rim it stays.
    """
    values = codes.astype(np.float32)
    rows, columns = np.nonzero(speck)
    rim = max(2, round(px_from_mm(RIM_MM, ppi)))
    top, bottom = max(0, rows.min() - rim), min(len(speck), rows.max() + rim + 1)
    left, right = max(0, columns.min() - rim), min(speck.shape[1], columns.max() + rim + 1)
    box = np.s_[top:bottom, left:right]
    counts = ~dirty[box]
    if not counts.any():
        return codes[speck]
    mask = np.repeat(counts.astype(np.float32)[..., None], 3, axis=2)
    cost = cv2.matchTemplate(values, values[box] * mask, cv2.TM_SQDIFF, mask=mask)
    free = _corners_free(dirty, bottom - top, right - left)
    y, x = np.mgrid[: cost.shape[0], : cost.shape[1]]
    far = np.hypot(y - top, x - left) / max(1.0, px_from_mm(SEARCH_MM, ppi))
    cost = np.where(free, np.maximum(cost, 0) * (1 + FAR_WEIGHT * far), np.inf)
    if not np.isfinite(cost).any():
        return _fitted(codes, np.zeros_like(values), speck, dirty)
    best = np.unravel_index(int(cost.argmin()), cost.shape)
    moved = np.zeros_like(values)
    moved[box] = values[best[0] : best[0] + bottom - top, best[1] : best[1] + right - left]
    return _fitted(codes, moved, speck, dirty, known=box)


def _corners_free(dirty: Mask, height: int, width: int) -> Mask:
    """Top-left corners of boxes without anything dirty in them."""
    total = cv2.integral(dirty.astype(np.uint8))
    count = total[height:, width:] - total[:-height, width:] - total[height:, :-width] + total[:-height, :-width]
    return np.asarray(count == 0)


def _fitted(
    codes: NDArray[Any], piece: NDArray[np.float32], speck: Mask, dirty: Mask, *, known: Any = np.s_[:, :]
) -> NDArray[Any]:
    """The piece at the speck, moved so that it meets the picture along the rim."""
    rim = cv2.dilate(speck.astype(np.uint8), np.ones((2 * STRAIGHT_PX + 1,) * 2, np.uint8)) > 0
    there = np.zeros(speck.shape, bool)
    there[known] = True
    rows, columns = np.nonzero(rim & ~dirty & there)
    inner_rows, inner_columns = np.nonzero(speck)
    found = piece[inner_rows, inner_columns]
    if len(rows):
        off = codes[rows, columns].astype(np.float32) - piece[rows, columns]
        apart = np.hypot(inner_rows[:, None] - rows[None], inner_columns[:, None] - columns[None]).astype(np.float32)
        weight = 1.0 / np.maximum(apart, 0.5) ** 3
        found = found + (weight @ off) / weight.sum(axis=1, keepdims=True)
    top = np.iinfo(codes.dtype).max
    return np.rint(np.clip(found, 0, top)).astype(codes.dtype)
