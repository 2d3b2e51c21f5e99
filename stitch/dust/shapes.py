"""Patches of pixels that are as small, or as thin, as dust and hairs are."""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import px_from_mm
from stitch.imaging.spots import Pixels

MOST_MM = 1.6  # across a speck
MOST_HAIR_MM, MOST_HAIR_WIDE_MM = 25.0, 0.7
PIECE_MM = 3.0  # a hair is listed in pieces no longer than this
REACH_MM = 4.0  # looked at around a window, so that a patch is seen whole


def small_patches(seen: NDArray[np.bool_], ppi: float, *, least_px: int) -> Iterator[Pixels]:
    """Pixels (columns, rows) of every patch that dust could be, in the window's own px."""
    if not seen.any():
        return
    count, patches, stats, _ = cv2.connectedComponentsWithStats(seen.astype(np.uint8), connectivity=8)
    speck, hair, wide = (px_from_mm(mm, ppi) for mm in (MOST_MM, MOST_HAIR_MM, MOST_HAIR_WIDE_MM))
    for patch in range(1, count):
        left, top, width, height, area = (int(v) for v in stats[patch])
        longest = max(width, height)
        is_hair = longest <= hair and area <= wide * longest
        if area >= least_px and (longest <= speck or is_hair):
            rows, columns = np.nonzero(patches[top : top + height, left : left + width] == patch)
            yield columns + left, rows + top
