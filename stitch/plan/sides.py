"""Scans along one side of the painting."""

from __future__ import annotations

import itertools
import math

RIM_MM = 5.0  # of lid in view around the painting's edges, where there is room for it
MOST_SHARED = 0.5  # of the bed's side: beyond, room that is left over goes around the painting instead
_TINY = 1e-9


def scan_count(length: float, side: float, overlap: float) -> int:
    """How many scans cover a length: n = ceil((L − o) / (S − o)), and at least 1.

    length : L, the painting's side. side : S, the bed's. overlap : o, at least; 0 <= o < S. All in mm.

    Common practice, no published source: n scans of S with n − 1 overlaps of o cover n·S − (n − 1)·o.
    """
    return max(1, math.ceil((length - overlap) / (side - overlap) - _TINY))


def starts(length: float, side: float, overlap: float) -> tuple[float, ...]:
    """Where each scan begins, in mm from the painting's edge, negative outside; overlaps are evenly spread.

    Whole mm where those serve, since hands measure in them. Arguments as for `scan_count`.
    """
    count = scan_count(length, side, overlap)
    if count == 1:
        return (-min(RIM_MM, max(0.0, (side - length) / 2)),)
    spare = max(0.0, (count - 1) * (side - overlap) - (length - side))
    roomy = ((count - 1) * side * (1 - MOST_SHARED) + side - length) / 2
    rim = min(max(RIM_MM, roomy), spare / 2)
    step = (length + 2 * rim - side) / (count - 1)
    exact = tuple(index * step - rim for index in range(count))
    whole = tuple(float(round(start)) for start in exact)
    return whole if _serves(whole, length, side, overlap) else exact


def _serves(begins: tuple[float, ...], length: float, side: float, overlap: float) -> bool:
    steps = [after - before for before, after in itertools.pairwise(begins)]
    return begins[0] <= 0 and begins[-1] + side >= length and max(steps) <= side - overlap + _TINY
