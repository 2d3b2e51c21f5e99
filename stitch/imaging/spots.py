"""Small patches of a mask as capsules: where, how long, how wide and which way; a long one in pieces."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

LEAST_STRETCH = 1.5  # times as long as wide: shorter ones are round
LEAST_SPLIT_PX = 24
MOST_EMPTY, MOST_MISSED = 2.0, 0.2  # of its px: area of a capsule that fits a set, and share of them outside it
Pixels = tuple[NDArray[np.intp], NDArray[np.intp]]


@dataclass(frozen=True, slots=True)
class Capsule:
    """A segment with round ends; px of the picture it was found in. A round one has no length."""

    x: float
    y: float
    length: float  # of the segment, without its ends
    width: float
    angle_deg: float  # from x towards y


def pieces(columns: NDArray[np.intp], rows: NDArray[np.intp], square_px: int) -> Iterator[Pixels]:
    """The pixels of one patch, cut along squares of the picture where it is longer than those."""
    origin = columns.min(), rows.min()
    number = (columns - origin[0]) // square_px + 10_000 * ((rows - origin[1]) // square_px)
    for piece in np.unique(number):
        yield columns[number == piece], rows[number == piece]


def stretch(x: NDArray[np.intp], y: NDArray[np.intp]) -> tuple[float, float]:
    """Length (0 when it is no longer than half as long again as wide) and angle of a set of px."""
    if len(x) < 3:
        return 0.0, 0.0
    points = np.column_stack([x, y]) - np.array([x.mean(), y.mean()])
    _, axes = np.linalg.eigh(points.T @ points)
    along, across = points @ axes[:, 1], points @ axes[:, 0]
    length = float(np.ptp(along)) + 1
    if length < LEAST_STRETCH * (float(np.ptp(across)) + 1):
        return 0.0, 0.0
    return length, math.degrees(math.atan2(axes[1, 1], axes[0, 1]))


def capsule(x: NDArray[np.intp], y: NDArray[np.intp]) -> Capsule:
    """The capsule about a set of px: as long as it, and as wide as its area asks for."""
    length, angle = stretch(x, y)
    if length == 0:
        reach = float(np.hypot(x - x.mean(), y - y.mean()).max()) + 0.5
        return Capsule(float(x.mean()), float(y.mean()), 0.0, 2 * reach, 0.0)
    width = max(1.0, len(x) / length)
    return Capsule(float(x.mean()), float(y.mean()), max(0.0, length - width), width, angle)


def capsules(x: NDArray[np.intp], y: NDArray[np.intp]) -> Iterator[Capsule]:
    """Capsules that together follow a set of px: one where it fits, else those of the halves along its longer way.

    A bent hair, or one that a speck lies beside, is no capsule.
    """
    one = capsule(x, y)
    area = one.length * one.width + math.pi / 4 * one.width**2
    misses = 1 - float(inside(one, x, y, 0.5).mean())
    if len(x) < LEAST_SPLIT_PX or (area <= MOST_EMPTY * len(x) and misses <= MOST_MISSED):
        yield one
        return
    points = np.column_stack([x, y]) - np.array([x.mean(), y.mean()])
    is_first = points @ np.linalg.eigh(points.T @ points)[1][:, 1] < 0
    for half in (is_first, ~is_first):
        yield from capsules(x[half], y[half])


def inside(one: Capsule, x: NDArray[Any], y: NDArray[Any], more_px: float) -> NDArray[np.bool_]:
    """Which px of a grid (x and y broadcast together) lie in a capsule or within `more_px` of it."""
    c, s = math.cos(math.radians(one.angle_deg)), math.sin(math.radians(one.angle_deg))
    along, across = (x - one.x) * c + (y - one.y) * s, (y - one.y) * c - (x - one.x) * s
    past = np.maximum(np.abs(along) - one.length / 2, 0.0)
    return np.asarray(np.hypot(past, across) <= one.width / 2 + more_px)
