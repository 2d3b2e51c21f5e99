"""Straight lines through scattered points, and where they meet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

BIWEIGHT = 4.685  # Tukey's constant for 95 % efficiency
FIT_ROUNDS = 12
CORRELATED_POINTS = 4  # neighbours along an edge err together: so many points count as one


@dataclass(frozen=True, slots=True)
class Fit:
    """A straight line y = middle + slope × (t − t_mean) through points, and how well they follow it."""

    middle: float
    slope: float
    t_mean: float
    scatter: float  # robust standard deviation of the points about the line
    sigma: float  # standard deviation of the line's position, a quadratic bow included
    used_count: int

    def at(self, t: float | FloatArray) -> float | FloatArray:
        """The line at t."""
        return self.middle + self.slope * (t - self.t_mean)


def fit_line(t: FloatArray, y: FloatArray, *, floor: float) -> Fit:
    """Fit a line by iterated biweight from a robust start; `floor` is the least scatter believed, in units of y.

    Needs at least 3 points; raises ValueError with fewer.
    """
    if t.size < 3:
        raise ValueError("a line needs at least three points")
    slope, middle = _start(t, y)
    t_mean = float(t.mean())
    middle += slope * t_mean
    weight = np.ones_like(t)
    scatter = floor
    for _ in range(FIT_ROUNDS):
        left = y - (middle + slope * (t - t_mean))
        scatter = max(1.4826 * float(np.median(np.abs(left))), floor)
        weight = np.maximum(1 - (left / (BIWEIGHT * scatter)) ** 2, 0.0) ** 2
        if np.count_nonzero(weight) < 3:
            break
        slope, middle = np.polyfit(t - t_mean, y, 1, w=np.sqrt(weight))
    used = weight > 0.1
    left = (y - (middle + slope * (t - t_mean)))[used]
    count = int(used.sum())
    spread = float(np.sqrt(np.mean(left**2))) if count else scatter
    sigma = max(spread, floor) / np.sqrt(max(count / CORRELATED_POINTS, 1.0))
    bow = _bow(t[used], left) / 3 if count >= 8 else 0.0
    return Fit(float(middle), float(slope), t_mean, scatter, float(np.hypot(sigma, bow)), count)


def _start(t: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Slope and intercept by the median of slopes between far points (Theil, Sen)."""
    order = np.argsort(t)
    half = t.size // 2
    first, second = order[: t.size - half], order[half:]
    gap = t[second] - t[first]
    wide = gap > 0
    slope = float(np.median((y[second] - y[first])[wide] / gap[wide])) if wide.any() else 0.0
    return slope, float(np.median(y - slope * t))


def _bow(t: FloatArray, left: FloatArray) -> float:
    """How far a parabola through the residuals departs from straight, as a standard deviation."""
    span = (t - t.mean()) / max(float(np.ptp(t)) / 2, 1e-9)
    return abs(float(np.polyfit(span, left, 2)[0])) / 3


def meet(first: tuple[FloatArray, FloatArray], second: tuple[FloatArray, FloatArray]) -> FloatArray:
    """The point (x, y) where two lines, each given by two points, cross. Raises LinAlgError when they are parallel."""
    a, b = first
    c, d = second
    along = np.linalg.solve(np.column_stack([b - a, c - d]), c - a)
    return a + along[0] * (b - a)
