"""The size check: the painting's edges in a finished picture, measured at full resolution."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import mm_from_px, px_from_mm
from stitch.imaging.overview import Covered, Overview, overview_of
from stitch.model.scans import PixelSource
from stitch.model.settings import Measured
from stitch.model.size import Edge, SizeCheck
from stitch.progress import SILENT, Progress
from stitch.size.candidates import PAINT, SHEET
from stitch.size.filled import find_outline_beside_filling
from stitch.size.lines import meet
from stitch.size.outline import ENDS, Outline, SideLine, find_outline
from stitch.size.refine import refine_side
from stitch.size.strips import Side
from stitch.size.verdict import Length, judged, published_figures, scale_error_percent

FloatArray = NDArray[np.float64]

MARGIN_SKIP_MM = 1.5  # left out inside the sheet's edge when the paint's edge is looked for
SQUARE_DEG, ASKEW_DEG = 0.3, 0.5  # three sides so nearly square, and a fourth so far from it
ASKEW = "not in view: what looks like it lies askew and is ragged, while the other three are square"
LOOSE = 3.0  # times the others' standard deviation
FALLBACK_SIGMA_PX = 0.5  # of the reduced picture, for an edge that only it shows

INWARD = {Side.LEFT: (1.0, 0.0), Side.RIGHT: (-1.0, 0.0), Side.TOP: (0.0, 1.0), Side.BOTTOM: (0.0, -1.0)}
CORNER_SIDES = ((Side.LEFT, Side.TOP), (Side.RIGHT, Side.TOP), (Side.RIGHT, Side.BOTTOM), (Side.LEFT, Side.BOTTOM))


@dataclass(frozen=True, slots=True, eq=False)
class _Line:
    start: FloatArray
    end: FloatArray
    sigma_px: float | None  # None: not in view
    evidence: str


def measure(
    source: PixelSource,
    ppi: float,
    *,
    covered: Covered | None = None,
    overview: Overview | None = None,
    width_mm: float | None = None,
    height_mm: float | None = None,
    measured: Measured = Measured.SHEET,
    tolerance_mm: float | None = None,
    jobs: int = 1,
    progress: Progress = SILENT,
) -> SizeCheck:
    """Measure the painting in a picture and compare it with the tape measure.

    `covered` tells which pixels of a window hold anything (None: all); `overview` is the picture's, and what of it is
    covered, where they are known already. Widths are given along the top and the bottom,
    heights along the left and the right, between the corners of the four fitted lines; a length that needs an edge not
    in view is left out, the others stay. Uncertainties are one standard deviation of the lines' positions: strips that
    scatter, edges that bow. With `Measured.PAINT` the painted area inside a blank margin is measured. `jobs` : threads.
    """
    if overview is None:
        with progress.task("Looking for the edges", source.size.height_px) as task:
            overview = overview_of(source, ppi, covered, task.advance)
    picture, known, factor = overview.picture, overview.known, overview.block_px
    px_per_mm = px_from_mm(1.0, ppi)
    outline = find_outline_beside_filling(picture, known, px_per_mm / factor, SHEET, jobs=jobs)
    lines = without_askew(_refined(source, outline, factor, px_per_mm, jobs))
    if measured is Measured.PAINT:
        margin_in = _inside(outline, known, px_per_mm / factor)
        inner = find_outline(picture, margin_in, px_per_mm / factor, PAINT, jobs=jobs)
        lines = _paint_lines(lines, inner, factor)
    return _check(lines, ppi, width_mm, height_mm, tolerance_mm)


def _to_full(points: FloatArray, factor: int) -> FloatArray:
    return (points + 0.5) * factor - 0.5


def _refined(source: PixelSource, outline: Outline, factor: int, px_per_mm: float, jobs: int) -> dict[Side, _Line]:
    def refined(line: SideLine) -> _Line:
        start, end = _to_full(line.start_px, factor), _to_full(line.end_px, factor)
        sigma = None if line.sigma_px is None else float(np.hypot(line.sigma_px, FALLBACK_SIGMA_PX)) * factor
        found = refine_side(source, start, end, _inward(line.side, start, end), px_per_mm) if line.is_in_view else None
        if found is not None:
            start, end, sigma = found[0], found[1], found[2].sigma
        return _Line(start, end, sigma, line.evidence)

    with ThreadPoolExecutor(jobs, thread_name_prefix="edges") as pool:  # left and right unpack the same strips at once
        return {line.side: found for line, found in zip(outline.sides, pool.map(refined, outline.sides), strict=True)}


def without_askew(lines: dict[Side, _Line]) -> dict[Side, _Line]:
    """The sides without one that lies askew where the other three are square, and scatters far more than they do.

    On blank paper before a white lid the end of a wash or of the ground can pass for an edge, here and there.
    """
    turns = {side: _turn_deg(line) for side, line in lines.items()}
    found = {}
    for side, line in lines.items():
        others = {other: lines[other] for other in lines if other is not side}
        known = [other.sigma_px for other in others.values() if other.sigma_px is not None]
        off = [(turns[side] - turns[other] + 45) % 90 - 45 for other in others]
        is_askew = np.ptp(off) < SQUARE_DEG and min(np.abs(off)) > ASKEW_DEG
        is_loose = line.sigma_px is not None and len(known) == len(others) and line.sigma_px > LOOSE * max(known)
        found[side] = replace(line, sigma_px=None, evidence=ASKEW) if is_askew and is_loose else line
    return found


def _turn_deg(line: _Line) -> float:
    x, y = line.end - line.start
    return float(np.degrees(np.arctan2(y, x)))


def _inward(side: Side, start: FloatArray, end: FloatArray) -> FloatArray:
    """Unit vector across a side towards the painting."""
    along = (end - start) / np.hypot(*(end - start))
    across = np.array([-along[1], along[0]])
    return across if across @ np.array(INWARD[side]) > 0 else -across


def _inside(outline: Outline, known: NDArray[np.bool_], px_per_mm: float) -> NDArray[np.bool_]:
    """What lies well inside the sheet."""
    mask: NDArray[Any] = np.zeros(known.shape, np.uint8)
    cv2.fillConvexPoly(mask, np.rint(outline.corners_px).astype(np.int32), 1)
    reach = 2 * round(MARGIN_SKIP_MM * px_per_mm) + 1
    kernel = np.ones((reach, reach), np.uint8)
    mask = np.asarray(cv2.erode(mask, kernel, borderType=cv2.BORDER_CONSTANT, borderValue=0))
    return mask.astype(bool) & known


def _paint_lines(sheet: dict[Side, _Line], inner: Outline, factor: int) -> dict[Side, _Line]:
    """The paint's edges inside the margin; where there is no margin the sheet's own edge stands for it."""
    lines = {}
    for line in inner.sides:
        if line.is_in_view and line.sigma_px is not None:
            sigma = float(np.hypot(line.sigma_px, FALLBACK_SIGMA_PX)) * factor
            ends = _to_full(line.start_px, factor), _to_full(line.end_px, factor)
            lines[line.side] = _Line(*ends, sigma, "paint: against a blank margin")
        else:
            own = sheet[line.side]
            lines[line.side] = _Line(
                own.start, own.end, own.sigma_px, f"paint reaches the sheet's edge; {own.evidence}"
            )
    return lines


def _check(
    lines: dict[Side, _Line], ppi: float, width_mm: float | None, height_mm: float | None, tolerance_mm: float | None
) -> SizeCheck:
    corners = np.stack([meet(*((lines[s].start, lines[s].end) for s in pair)) for pair in CORNER_SIDES])
    readings, is_swapped = judged(_lengths(lines, corners, ppi), width_mm, height_mm, tolerance_mm)
    is_whole = all(line.sigma_px is not None for line in lines.values())
    return SizeCheck(
        ppi=ppi,
        edges=tuple(_edge(side, lines[side], corners) for side in Side),
        readings=readings,
        squareness_deg=_squareness_deg(corners) if is_whole else None,
        is_swapped=is_swapped,
        scale_error_percent=scale_error_percent(readings),
        published_figures=published_figures(readings),
    )


def _lengths(lines: dict[Side, _Line], corners: FloatArray, ppi: float) -> list[Length]:
    plan = (
        ("width top", "width", (0, 1), (Side.LEFT, Side.RIGHT)),
        ("width bottom", "width", (3, 2), (Side.LEFT, Side.RIGHT)),
        ("height left", "height", (0, 3), (Side.TOP, Side.BOTTOM)),
        ("height right", "height", (1, 2), (Side.TOP, Side.BOTTOM)),
        ("diagonal \\", "", (0, 2), tuple(Side)),
        ("diagonal /", "", (3, 1), tuple(Side)),
    )
    found = []
    for name, axis, (first, last), needed in plan:
        sigmas = [lines[side].sigma_px for side in needed]
        known = [sigma for sigma in sigmas if sigma is not None]
        if len(known) == len(needed):
            length = float(np.hypot(*(corners[last] - corners[first])))
            uncertainty = float(np.sqrt(np.sum(np.square(known)) / (len(known) / 2)))
            found.append(Length(name, axis, mm_from_px(length, ppi), mm_from_px(uncertainty, ppi)))
    return found


def _squareness_deg(corners: FloatArray) -> float:
    """Largest departure of a corner from 90°."""
    worst = 0.0
    for k in range(4):
        a, b = corners[k - 1] - corners[k], corners[(k + 1) % 4] - corners[k]
        cosine = float(a @ b / (np.hypot(*a) * np.hypot(*b)))
        worst = max(worst, abs(float(np.degrees(np.arcsin(np.clip(cosine, -1, 1))))))
    return worst


def _edge(side: Side, line: _Line, corners: FloatArray) -> Edge:
    start, end = (corners[k] for k in ENDS[side])
    is_in_view = line.sigma_px is not None
    return Edge(
        side=side.value,
        is_in_view=is_in_view,
        start_px=(float(start[0]), float(start[1])) if is_in_view else None,
        end_px=(float(end[0]), float(end[1])) if is_in_view else None,
        sigma_px=line.sigma_px,
        evidence=line.evidence,
    )
