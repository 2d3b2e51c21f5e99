"""The outermost straight line, nearly along a side, where enough strips show a step."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitch.size.strips import Strips, widened

FloatArray = NDArray[np.float64]

SMALLEST_STEP = 0.02  # of the code range, about 2 L*
STEP_OVER_GROUND = 5.0  # a step stands out when it is so many times the ground's own unevenness
CLOSE_SHARE, CLOSE_MM = 0.9, 0.08  # strips that show a weak step, and how closely they must agree
NARROW_MM = 4.0  # weak steps count only so near the end of what was scanned
SHADOW_REACH_MM = 2.5  # the sheet's edge lies at most so far inside the first sign of it
SHARP_SHARE = 0.6  # of the sharpest step nearby
SOFT_SHARE = 0.6  # a step that holds less of the whole change of level is the flank of something soft


@dataclass(frozen=True, slots=True)
class Search:
    """What kind of line is looked for."""

    most_slope: float
    loose_mm: float  # how far a strip's step may lie from a candidate line
    reach_mm: float  # how far from the line found a strip's step is looked for
    near_mm: float  # a strip's step counts half when it lies so far from the line
    has_shadow: bool  # a dark line beside it may be its shadow


@dataclass(frozen=True, slots=True)
class Trial:
    """What a line must show: the least step, the share of strips, their scatter, and how deep it may lie."""

    least: float
    share: float
    most_scatter_px: float = math.inf
    most_depth_px: float = math.inf


SHEET = Search(most_slope=0.045, loose_mm=0.6, reach_mm=1.5, near_mm=0.75, has_shadow=True)  # 2.6°
PAINT = Search(most_slope=0.012, loose_mm=2.0, reach_mm=5.0, near_mm=4.0, has_shadow=False)  # brushed, not cut


def trials_for(strips: Strips, px_per_mm: float, share: float) -> tuple[Trial, ...]:
    """How to look, the safest way first.

    A step should stand out from the steps in the outermost ground. Where only a narrow rim of background is seen, the
    sheet's own shadow fills it with steps, the same in all strips; then a weaker step will do, if nearly all strips
    show it and agree closely where.
    """
    outer = _outer_steps(strips, round(2.0 * px_per_mm))
    if outer.size == 0:
        return (Trial(SMALLEST_STEP, share),)
    ground = float(np.percentile(outer, 25))
    varied = float(np.median(np.median(np.abs(outer - np.median(outer, axis=0)), axis=0)))
    clear = Trial(max(SMALLEST_STEP, STEP_OVER_GROUND * ground), share)
    close = Trial(
        max(SMALLEST_STEP, STEP_OVER_GROUND * varied), CLOSE_SHARE, CLOSE_MM * px_per_mm, NARROW_MM * px_per_mm
    )
    return (clear, close)


def _outer_steps(strips: Strips, depth_px: int) -> NDArray[np.float32]:
    """Steps (strips, columns) of the outermost ground, lined up at the end of what is known."""
    use = np.flatnonzero(strips.has_any)
    columns = strips.first_px[use, None] + np.arange(2, max(depth_px, 3))
    fits = (columns < strips.step.shape[1]).all(axis=1)
    return strips.step[use[fits, None], columns[fits]]


def outermost_line(strips: Strips, search: Search, trial: Trial, px_per_mm: float) -> tuple[float, float] | None:
    """Column at the middle of the side, and slope, of the outermost line that enough strips show."""
    loose = max(round(search.loose_mm * px_per_mm), 1)
    use = strips.has_any
    centre = strips.centre_px[use] - strips.centre_px.mean()
    hits = (widened(strips.step, loose) > trial.least)[use]
    sharp = np.minimum(widened(strips.step, 1), 0.4)[use]
    half = max(float(np.abs(centre).max()), 1.0)
    slopes = np.arange(-search.most_slope, search.most_slope + 1e-9, 1.5 * loose / half)
    counts = np.stack([_along(hits, slope * centre).mean(axis=0) for slope in slopes])
    enough = np.flatnonzero(counts.max(axis=0) >= trial.share)
    if enough.size == 0:
        return None
    first = int(enough[0])
    last = first + round((SHADOW_REACH_MM + 2 * search.loose_mm) * px_per_mm)
    finer = np.arange(-search.most_slope, search.most_slope + 1e-9, 1.0 / half)
    strength = np.stack([_along(sharp, slope * centre)[:, first : last + 1].mean(axis=0) for slope in finer])
    best = strength.max(axis=0)
    at = int(np.flatnonzero(best >= SHARP_SHARE * best.max())[0])
    while at + 1 < best.size and best[at + 1] > best[at]:
        at += 1
    slope = float(finer[strength[:, at].argmax()])
    column = float(first + at)
    return (_past_a_soft_shadow(strips, first + at, slope, px_per_mm) if search.has_shadow else column), slope


def _past_a_soft_shadow(strips: Strips, column: int, slope: float, px_per_mm: float) -> float:
    """Where the line is the outer flank of a soft dark line, the column of its inner flank, else the column itself.

    A ragged edge blurs both flanks of its shadow alike; the paper begins at the inner one. A sharp edge is left alone:
    there the whole change of level lies within the step itself.
    """
    use = strips.has_any
    grey = strips.colour.mean(axis=2)[use]
    known = strips.is_known[use].astype(np.float32)
    shift = slope * (strips.centre_px[use] - strips.centre_px.mean())
    held = _along(known, shift).sum(axis=0)
    level = _along(grey * known, shift).sum(axis=0) / np.maximum(held, 1.0)
    reach, step = round(SHADOW_REACH_MM * px_per_mm), max(round(0.5 * px_per_mm), 1)
    low, high = max(column - reach, 0), min(column + reach, level.size - step)
    part = level[low : high + step]
    if held[low : high + step].min() < held.max() / 2 or column - low < step or part.size < 3 * step:
        return float(column)
    dark = int(part[column - low :].argmin()) + column - low
    fall = float(np.median(part[: max(column - low - step, 1)]) - part[dark])
    own = float(part[column - low - step : column - low].mean() - part[column - low : column - low + step].mean())
    rises = np.array([part[k : k + step].mean() - part[k - step : k].mean() for k in range(dark + 1, high - low)])
    if fall <= SMALLEST_STEP or own > SOFT_SHARE * fall or rises.size == 0 or rises.max() < SHARP_SHARE * own:
        return float(column)
    return float(low + dark + 1 + int(rises.argmax()))


def _along(values: NDArray[Any], shift_px: FloatArray) -> NDArray[Any]:
    """Rows moved left by `shift_px` each (0 beyond the ends), so that a slanting line stands upright."""
    width = values.shape[1]
    columns = np.arange(width) + np.rint(shift_px).astype(int)[:, None]
    inside = (columns >= 0) & (columns < width)
    return np.take_along_axis(values, columns.clip(0, width - 1), axis=1) * inside


def step_positions(
    strips: Strips, search: Search, start: tuple[float, float], least: float, px_per_mm: float
) -> tuple[NDArray[np.int64], FloatArray]:
    """Strips that show the line, and where: the boundary column to a fraction of a px, as a pixel position."""
    reach = round(search.reach_mm * px_per_mm)
    rows, places = [], []
    for row in np.flatnonzero(strips.has_any):
        middle = round(start[0] + start[1] * (strips.centre_px[row] - strips.centre_px.mean()))
        low = max(middle - reach, 1)
        part = strips.step[row, low : middle + reach + 1]
        if part.size < 3 or part.max() < least:
            continue
        distance = np.arange(low, low + part.size) - middle
        peak = int((part / (1.0 + (distance / (search.near_mm * px_per_mm)) ** 2)).argmax())
        rows.append(row)
        places.append(low + peak + _vertex(part, peak) - 0.5)
    return np.array(rows, dtype=np.int64), np.array(places, dtype=np.float64)


def _vertex(values: NDArray[np.float32], peak: int) -> float:
    """Offset of a parabola's top from the highest of three values."""
    if not 0 < peak < values.size - 1:
        return 0.0
    before, here, after = (float(v) for v in values[peak - 1 : peak + 2])
    bend = before - 2 * here + after
    return 0.0 if bend >= 0 else float(np.clip(0.5 * (before - after) / bend, -0.5, 0.5))
