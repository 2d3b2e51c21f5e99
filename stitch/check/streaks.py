"""Streaks along the carriage: one column brighter or darker than both its neighbours over the whole length."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

BESIDE_PX = 3
PARTS = 8  # of the scan's length: a streak runs through all of them
LEAST_STEP = 0.004  # of the codes' range
OUTSTANDING = 8.0  # times the usual scatter of columns
EDGE_SHARE = 0.4  # its two sides may differ by so much of it: more is an edge


@dataclass(frozen=True, slots=True)
class Streak:
    """One streak; `x_px` in px of the copy it was found in."""

    x_px: int
    step: float  # codes 0..1, positive where it is brighter


def find_streaks(codes: NDArray[Any]) -> list[Streak]:
    """Streaks in a small copy (h, w, 3) of 16-bit codes, the strongest first."""
    grey = np.ascontiguousarray(codes.mean(axis=2, dtype=np.float32).T / 65535)  # columns first: medians run along them
    width, height = grey.shape
    if height < 8 * PARTS or width < 8 * BESIDE_PX:
        return []
    left, middle, right = (grey[s] for s in _shifted(width))
    parts = np.array_split(middle - (left + right) / 2, PARTS, axis=1)
    step = np.stack([np.median(part, axis=1) for part in parts])
    side = np.abs(np.median(left - right, axis=1))
    typical = np.median(step, axis=0)
    scatter = 1.4826 * float(np.median(np.abs(typical))) + 1e-5
    same_way = (np.sign(step) == np.sign(typical)).all(axis=0) & (np.abs(step).min(axis=0) > 0.4 * np.abs(typical))
    is_streak = same_way & (np.abs(typical) > max(LEAST_STEP, OUTSTANDING * scatter))
    is_streak &= side < EDGE_SHARE * np.abs(typical)
    found = [Streak(int(x) + BESIDE_PX, float(typical[x])) for x in np.flatnonzero(is_streak)]
    return _one_each(sorted(found, key=lambda one: -abs(one.step)))


def _shifted(width: int) -> tuple[slice, slice, slice]:
    inner = width - 2 * BESIDE_PX
    return slice(0, inner), slice(BESIDE_PX, BESIDE_PX + inner), slice(2 * BESIDE_PX, width)


def _one_each(found: list[Streak]) -> list[Streak]:
    """A streak shows in the columns beside it, too."""
    kept: list[Streak] = []
    for one in found:
        if all(abs(one.x_px - other.x_px) > 2 * BESIDE_PX for other in kept):
            kept.append(one)
    return kept
