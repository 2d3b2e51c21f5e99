"""The painting's four sides against the background, on a reduced picture of about 4 px/mm.

A side is the outermost straight line, nearly along the picture's side, where many short strips show a step, with an
even background outside it. White paper on a white lid shows only the dark line of its shadow; then the paper begins
where the shadow ends, which is the sharpest step. Where no such line is found, the side is not in view and is taken
to lie at the end of what was scanned.

A blank margin scanned without any lid beside it looks just like a lid: then the line found is that of the paint. The
tape measure tells the two apart, the picture does not.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitch.size.lines import Fit, fit_line, meet
from stitch.size.strips import Side, Strips, cut_strips, turned, turned_back, widened

FloatArray = NDArray[np.float64]

MOST_SLOPE = 0.045  # 2.6°
LOOSE_MM = 0.6  # how far a strip's step may lie from a candidate line
SMALLEST_STEP = 0.02  # of the code range, about 2 L*
STEP_OVER_GROUND = 5.0  # a step stands out when it is so many times the ground's own unevenness
FIRST_SHARE, FINAL_SHARE = 0.35, 0.45  # of the strips must show the line, before and after the other sides are known
SHADOW_REACH_MM = 2.5  # the sheet's edge lies at most so far inside the first sign of it
SHARP_SHARE = 0.6  # of the sharpest step nearby
SOFT_SHARE = 0.6  # a step that holds less of the whole change of level is the flank of something soft
NEAR_MM = 0.75  # a strip's step counts half when it lies so far from the line
LEAST_GROUND_MM = 1.0  # of background that must be seen
GROUND_SPREAD = 0.12  # most unevenness of the background along the side, of the code range
LEVEL_STEP = 0.04  # background and painting differ by more: found by the lid, else by the shadow alone
DIFFERING_SHARE = 0.3  # of the strips
LEAST_STRIPS = 5

NOT_FOUND = "not in view: no background beside it"


@dataclass(frozen=True, slots=True, eq=False)
class SideLine:
    """One side: a line through `start_px` and `end_px` (x, y), the corners of the quadrilateral."""

    side: Side
    is_in_view: bool
    start_px: FloatArray
    end_px: FloatArray
    sigma_px: float | None
    evidence: str


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """The sides, and the quadrilateral (4, 2) from top left clockwise, in px of the reduced picture."""

    sides: tuple[SideLine, ...]  # left, right, top, bottom
    corners_px: FloatArray

    def side(self, side: Side) -> SideLine:
        """One of the four."""
        return next(line for line in self.sides if line.side is side)


@dataclass(frozen=True, slots=True)
class _Found:
    fit: Fit
    evidence: str


def find_outline(rgb: NDArray[Any], covered: NDArray[np.bool_], px_per_mm: float) -> Outline:
    """Find the four sides.

    Parameters
    ----------
    rgb : (h, w, 3) uint8, uint16, or float 0..1, code values.
    covered : (h, w) True where the picture holds anything.
    px_per_mm : about 4.
    """
    height, width = covered.shape
    whole = {Side.LEFT: (0, height), Side.RIGHT: (0, height), Side.TOP: (0, width), Side.BOTTOM: (0, width)}
    found = {side: _find_side(rgb, covered, px_per_mm, side, whole[side], FIRST_SHARE) for side in Side}
    lines = {side: _line(found[side], side, covered) for side in Side}
    spans = _spans(_corners(lines), px_per_mm, width, height)
    found = {side: _find_side(rgb, covered, px_per_mm, side, spans[side], FINAL_SHARE) for side in Side}
    return _outline(found, {side: _line(found[side], side, covered) for side in Side})


def outline_from_lines(old: Outline, lines: dict[Side, tuple[FloatArray, FloatArray]]) -> FloatArray:
    """Corners (4, 2) with some sides replaced by better lines, each two points in the same px as `old`."""
    kept = {line.side: (line.start_px, line.end_px) for line in old.sides}
    return _corners({**kept, **lines})


def _find_side(
    rgb: NDArray[Any],
    covered: NDArray[np.bool_],
    px_per_mm: float,
    side: Side,
    rows: tuple[int, int],
    share: float,
) -> _Found | None:
    picture, known = turned(rgb, side), turned(covered, side)
    strips = cut_strips(picture, known, px_per_mm, rows, max(picture.shape[1] * 9 // 20, 1))
    if strips.has_any.sum() < LEAST_STRIPS:
        return None
    least = _least_step(strips, px_per_mm)
    start = _outermost_line(strips, least, px_per_mm, share)
    if start is None:
        return None
    rows_used, at = _step_positions(strips, start, least, px_per_mm)
    if rows_used.size < max(LEAST_STRIPS, share * strips.has_any.sum() * 0.8):
        return None
    fit = fit_line(strips.centre_px[rows_used], at, floor=0.15)
    return _judged(strips, fit, rows_used, px_per_mm)


def _least_step(strips: Strips, px_per_mm: float) -> float:
    """The step that stands out from the unevenness of the outermost ground."""
    x = np.arange(strips.step.shape[1])
    reach = strips.first_px[:, None] + round(2.0 * px_per_mm)
    outer = strips.step[(x >= strips.first_px[:, None] + 2) & (x < reach)]
    ground = float(np.percentile(outer, 25)) if outer.size else 0.0
    return max(SMALLEST_STEP, STEP_OVER_GROUND * ground)


def _outermost_line(strips: Strips, least: float, px_per_mm: float, share: float) -> tuple[float, float] | None:
    """Column at the middle of the side, and slope, of the outermost line that enough strips show."""
    loose = max(round(LOOSE_MM * px_per_mm), 1)
    use = strips.has_any
    centre = strips.centre_px[use] - strips.centre_px.mean()
    hits = (widened(strips.step, loose) > least)[use]
    sharp = np.minimum(widened(strips.step, 1), 0.4)[use]
    half = max(float(np.abs(centre).max()), 1.0)
    slopes = np.arange(-MOST_SLOPE, MOST_SLOPE + 1e-9, 1.5 * loose / half)
    counts = np.stack([_along(hits, slope * centre).mean(axis=0) for slope in slopes])
    enough = np.flatnonzero(counts.max(axis=0) >= share)
    if enough.size == 0:
        return None
    first = int(enough[0])
    last = first + round((SHADOW_REACH_MM + 2 * LOOSE_MM) * px_per_mm)
    finer = np.arange(-MOST_SLOPE, MOST_SLOPE + 1e-9, 1.0 / half)
    strength = np.stack([_along(sharp, slope * centre)[:, first : last + 1].mean(axis=0) for slope in finer])
    best = strength.max(axis=0)
    at = int(np.flatnonzero(best >= SHARP_SHARE * best.max())[0])
    while at + 1 < best.size and best[at + 1] > best[at]:
        at += 1
    slope = float(finer[strength[:, at].argmax()])
    return _past_a_soft_shadow(strips, first + at, slope, px_per_mm), slope


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
    if held[low : high + step].min() < held.max() / 2 or column <= low or part.size < 3 * step:
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


def _step_positions(
    strips: Strips, start: tuple[float, float], least: float, px_per_mm: float
) -> tuple[NDArray[np.int64], FloatArray]:
    """Strips that show the line, and where: the boundary column to a fraction of a px, as a pixel position."""
    reach = round(1.5 * px_per_mm)
    rows, places = [], []
    for row in np.flatnonzero(strips.has_any):
        middle = round(start[0] + start[1] * (strips.centre_px[row] - strips.centre_px.mean()))
        low = max(middle - reach, 1)
        part = strips.step[row, low : middle + reach + 1]
        if part.size < 3 or part.max() < least:
            continue
        distance = np.arange(low, low + part.size) - middle
        peak = int((part / (1.0 + (distance / (NEAR_MM * px_per_mm)) ** 2)).argmax())
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


def _judged(strips: Strips, fit: Fit, rows: NDArray[np.int64], px_per_mm: float) -> _Found | None:
    """Keep a line only with an even background outside it, and say what it was found by."""
    at = np.asarray(fit.at(strips.centre_px[rows]))
    if np.median(at - strips.first_px[rows]) < LEAST_GROUND_MM * px_per_mm:
        return None
    ground = _levels(strips, rows, at, -4.0, -0.8, px_per_mm)
    seen = np.isfinite(ground[:, 0])
    if seen.sum() < LEAST_STRIPS or _unevenness(strips.centre_px[rows][seen], ground[seen]) > GROUND_SPREAD:
        return None
    far = _levels(strips, rows, at, -4.0, -2.0, px_per_mm)
    outside = np.where(np.isfinite(far), far, ground)
    inside = _levels(strips, rows, at, 0.5, 2.0, px_per_mm)
    rim = _levels(strips, rows, at, -0.6, -0.1, px_per_mm)
    return _Found(fit, _evidence(outside[seen], rim[seen], inside[seen]))


def _evidence(outside: FloatArray, rim: FloatArray, inside: FloatArray) -> str:
    """What a line was found by, from mean colours (n, 3) far outside, just outside and inside."""
    name = _named(np.median(outside, axis=0))
    differs = np.abs(outside - inside).max(axis=1) >= LEVEL_STEP
    has_shadow = np.median((outside - rim).max(axis=1)) > SMALLEST_STEP / 2
    if np.nanmean(differs) < DIFFERING_SHARE:
        return "shadow: found only by its shadow" if has_shadow else f"lid: a faint step against a {name} background"
    if name == "light" and not has_shadow:
        return "lid: a light background without a shadow (a blank margin would look the same)"
    return f"lid: a {name} background"


def _levels(
    strips: Strips, rows: NDArray[np.int64], at: FloatArray, low_mm: float, high_mm: float, px_per_mm: float
) -> FloatArray:
    """Mean colour (n, 3) from `low_mm` to `high_mm` inside the line; nan where nothing is known there."""
    found = np.full((rows.size, 3), np.nan)
    for k, row in enumerate(rows):
        x0 = max(round(at[k] + low_mm * px_per_mm), int(strips.first_px[row]))
        x1 = min(round(at[k] + high_mm * px_per_mm) + 1, strips.colour.shape[1])
        if x1 > x0:
            found[k] = strips.colour[row, x0:x1].mean(axis=0)
    return found


def _unevenness(t: FloatArray, levels: FloatArray) -> float:
    """Robust spread of a background along a side, a steady slope left out."""
    spreads = []
    for channel in levels.T:
        left = channel - np.polyval(np.polyfit(t, channel, 1), t)
        spreads.append(1.4826 * float(np.median(np.abs(left - np.median(left)))))
    return max(spreads)


def _named(colour: FloatArray) -> str:
    light = float(colour.mean())
    return "light" if light > 0.7 else "dark" if light < 0.3 else "grey"


def _line(found: _Found | None, side: Side, covered: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
    """Two points of a side in the picture; the end of what was scanned when the side is not in view."""
    height, width = covered.shape
    known = turned(covered, side)
    rows = np.array([0.0, known.shape[0] - 1.0])
    if found is not None:
        columns = np.asarray(found.fit.at(rows))
    else:
        full = known.any(axis=1)
        first = float(np.median(known.argmax(axis=1)[full])) - 0.5 if full.any() else -0.5
        columns = np.array([first, first])
    points = turned_back(np.column_stack([columns, rows]), side, width, height)
    return points[0], points[1]


def _corners(lines: dict[Side, tuple[FloatArray, FloatArray]]) -> FloatArray:
    ring = ((Side.LEFT, Side.TOP), (Side.RIGHT, Side.TOP), (Side.RIGHT, Side.BOTTOM), (Side.LEFT, Side.BOTTOM))
    return np.stack([meet(lines[a], lines[b]) for a, b in ring])


def _spans(corners: FloatArray, px_per_mm: float, width: int, height: int) -> dict[Side, tuple[int, int]]:
    """Rows (of the turned picture) that each side covers, a little short of its corners."""
    inset = round(3.0 * px_per_mm)
    left, right = corners[[0, 3], 0].max(), corners[[1, 2], 0].min()
    top, bottom = corners[[0, 1], 1].max(), corners[[2, 3], 1].min()
    down = _span(top, bottom, inset, height)
    across = _span(left, right, inset, width)
    return {Side.LEFT: down, Side.RIGHT: down, Side.TOP: across, Side.BOTTOM: across}


def _span(low: float, high: float, inset: int, length: int) -> tuple[int, int]:
    first, last = max(round(low) + inset, 0), min(round(high) - inset, length)
    return (first, last) if last - first > 2 * inset else (0, length)


def _outline(found: dict[Side, _Found | None], lines: dict[Side, tuple[FloatArray, FloatArray]]) -> Outline:
    corners = _corners(lines)
    ends = {Side.LEFT: (0, 3), Side.RIGHT: (1, 2), Side.TOP: (0, 1), Side.BOTTOM: (3, 2)}
    sides = []
    for side in Side:
        item = found[side]
        start, end = (corners[k] for k in ends[side])
        sigma = item.fit.sigma if item else None
        sides.append(SideLine(side, item is not None, start, end, sigma, item.evidence if item else NOT_FOUND))
    return Outline(tuple(sides), corners)
