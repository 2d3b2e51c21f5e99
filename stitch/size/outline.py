"""The painting's four sides against the background, on a reduced picture of about 4 px/mm.

A side is the outermost straight line, nearly along the picture's side, where many short strips show a step, with an
even background outside it. White paper on a white lid shows only the dark line of its shadow; then the paper begins
where the shadow ends, which is the sharpest step. Where no such line is found, the side is not in view and is taken
to lie at the end of what was scanned.

A blank margin scanned without any lid beside it looks just like a lid: then the line found is that of the paint. The
tape measure tells the two apart, the picture does not.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitch.size.candidates import SHEET, Search, Trial, outermost_line, step_positions, trials_for
from stitch.size.evidence import LEAST_STRIPS, LIGHT, Evidence, evidence_for
from stitch.size.lines import Fit, fit_line, meet
from stitch.size.strips import Side, Strips, cut_strips, turned, turned_back

FloatArray = NDArray[np.float64]

FIRST_SHARE, FINAL_SHARE = 0.35, 0.45  # of the strips must show the line, before and after the other sides are known
USED_SHARE = 0.8  # of the strips that show a line must lie on it

ENDS = {Side.LEFT: (0, 3), Side.RIGHT: (1, 2), Side.TOP: (0, 1), Side.BOTTOM: (3, 2)}  # corners of each side

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
    ground: FloatArray | None  # colour of the background beside it, 0..1
    has_shadow: bool

    @property
    def is_safe_to_crop(self) -> bool:
        """True unless the line could be the paint's edge on a blank margin that was scanned without any lid."""
        return self.is_in_view and (self.has_shadow or self.ground is None or float(self.ground.mean()) <= LIGHT)


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
    evidence: Evidence


def find_outline(
    rgb: NDArray[Any], covered: NDArray[np.bool_], px_per_mm: float, search: Search = SHEET, *, jobs: int = 1
) -> Outline:
    """Find the four sides.

    Parameters
    ----------
    rgb : (h, w, 3) uint8, uint16, or float 0..1, code values.
    covered : (h, w) True where the picture holds anything.
    px_per_mm : about 4.
    search : the sheet's edges, or the paint's inside a blank margin.
    jobs : threads.
    """
    height, width = covered.shape
    whole = {Side.LEFT: (0, height), Side.RIGHT: (0, height), Side.TOP: (0, width), Side.BOTTOM: (0, width)}

    def search_all(spans: dict[Side, tuple[int, int]], share: float) -> dict[Side, _Found | None]:
        def one(side: Side) -> _Found | None:
            return _find_side(rgb, covered, px_per_mm, search, side, spans[side], share)

        with ThreadPoolExecutor(jobs) as pool:
            return dict(zip(Side, pool.map(one, Side), strict=True))

    found = search_all(whole, FIRST_SHARE)
    lines = {side: _line(found[side], side, covered) for side in Side}
    spans = _spans(_corners(lines), px_per_mm, width, height)
    found = search_all(spans, FINAL_SHARE)
    return _outline(found, {side: _line(found[side], side, covered) for side in Side})


def _find_side(
    rgb: NDArray[Any],
    covered: NDArray[np.bool_],
    px_per_mm: float,
    search: Search,
    side: Side,
    rows: tuple[int, int],
    share: float,
) -> _Found | None:
    picture, known = turned(rgb, side), turned(covered, side)
    strips = cut_strips(picture, known, px_per_mm, rows, max(picture.shape[1] * 9 // 20, 1))
    if strips.has_any.sum() < LEAST_STRIPS:
        return None
    for trial in trials_for(strips, px_per_mm, share):
        found = _tried(strips, search, trial, px_per_mm)
        if found is not None:
            return found
    return None


def _tried(strips: Strips, search: Search, trial: Trial, px_per_mm: float) -> _Found | None:
    start = outermost_line(strips, search, trial, px_per_mm)
    if start is None:
        return None
    rows, at = step_positions(strips, search, start, trial.least, px_per_mm)
    if rows.size < max(LEAST_STRIPS, trial.share * strips.has_any.sum() * USED_SHARE):
        return None
    fit = fit_line(strips.centre_px[rows], at, floor=0.15)
    if fit.used_count < trial.share * strips.has_any.sum() * USED_SHARE or fit.scatter > trial.most_scatter_px:
        return None
    if np.median(at - strips.first_px[rows]) > trial.most_depth_px:
        return None
    evidence = evidence_for(strips, fit, rows, px_per_mm)
    return _Found(fit, evidence) if evidence else None


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
    sides = []
    for side in Side:
        start, end = (corners[k] for k in ENDS[side])
        sides.append(_side_line(side, found[side], start, end))
    return Outline(tuple(sides), corners)


def _side_line(side: Side, item: _Found | None, start: FloatArray, end: FloatArray) -> SideLine:
    seen = item.evidence if item else None
    return SideLine(
        side=side,
        is_in_view=item is not None,
        start_px=start,
        end_px=end,
        sigma_px=item.fit.sigma if item else None,
        evidence=seen.words if seen else NOT_FOUND,
        ground=seen.ground if seen else None,
        has_shadow=seen is not None and seen.has_shadow,
    )


def with_sides(outline: Outline, better: tuple[SideLine, ...]) -> Outline:
    """The outline with some sides replaced, corners and all."""
    chosen = {line.side: line for line in (*outline.sides, *better)}
    corners = _corners({side: (line.start_px, line.end_px) for side, line in chosen.items()})
    moved = (replace(line, start_px=corners[ENDS[s][0]], end_px=corners[ENDS[s][1]]) for s, line in chosen.items())
    return Outline(tuple(moved), corners)
