"""How large the small copies of all scans may be, and how many are searched for features at once, within the memory."""

from __future__ import annotations

import math
from collections.abc import Sequence

from stitch.errors import UsageError
from stitch.model.geometry import Size
from stitch.register.features import peak_mb
from stitch.register.reduced import REDUCED_LONG_SIDE_PX, factor_for

LONG_SIDES_PX = (REDUCED_LONG_SIDE_PX, 1000, 800, 650)  # tried in this order
MOST_MEGAPIXELS = 30.0  # of all small copies: the search for features takes a third of a second a megapixel
BYTES_A_SMALL_PX = 6
FEATURES_MB = 2  # of one scan
SAFE_SHARE = 0.9  # of the budget is planned with: pages come and go in lumps
BASE_MB = 150  # the interpreter with its libraries, and the bands of scans being read


def long_side_px(sizes: Sequence[Size], memory_mb: int) -> int:
    """Of the small copies: the usual one, or the largest at which all take no more memory and time than they may."""
    for side_px in LONG_SIDES_PX:
        small = [Size(one.width_px // f, one.height_px // f) for one in sizes for f in [factor_for(one, side_px)]]
        if _least_mb(small) <= memory_mb and sum(one.megapixels for one in small) <= MOST_MEGAPIXELS:
            return side_px
    return LONG_SIDES_PX[-1]


def _least_mb(small: Sequence[Size]) -> int:
    """The budget that small copies of these sizes take, their features looked for one by one."""
    return math.ceil((_held_mb(small) + max(peak_mb(one) for one in small)) / SAFE_SHARE)


def _held_mb(small: Sequence[Size]) -> float:
    return BASE_MB + sum(one.megapixels * BYTES_A_SMALL_PX + FEATURES_MB for one in small)


def feature_threads(small: Sequence[Size], memory_mb: int, threads: int) -> int:
    """As many threads as the memory has room for. Raises UsageError when there is not room for one."""
    count = int((SAFE_SHARE * memory_mb - _held_mb(small)) / max(peak_mb(one) for one in small))
    if count < 1:
        least = _least_mb(small)
        raise UsageError(
            f"{memory_mb} MB of memory is too little to find out how these scans lie.",
            advice=f"The smallest that works is {least} MB: give --memory {least} or more.",
        )
    return min(threads, count)
