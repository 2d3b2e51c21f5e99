"""The checks along the seams: does one show, does a line jump across one, and how much of them could be measured."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from stitch.imaging.affine import mm_from_px, nearest_turn_deg, px_from_mm
from stitch.model.findings import Finding, Severity
from stitch.model.layout import Layout
from stitch.model.seams import SeamLine
from stitch.report.measures import (
    JUMP_SHIFT_PX,
    JUMP_SHIFT_STRAIGHTENED_PX,
    VISIBLE_STEP_DE00,
    point_weights_mm,
    seam_figures,
)
from stitch.scans.wording import listed

SHOWN_SHARE = 0.02  # of the seam length that may show: the project's own limit
PLAIN_STEP_DE00 = 2.0  # the class "yes" of the seam map; the tone is blended over some mm on either side
NAMED_JUMPS = 4
APART_MM = 15.0  # jumps nearer than this to a larger one are not named again
LITTLE_MEASURED = 0.25  # share of a seam; below it is said
EDGE_MM = 3.0  # nearer to the sheet's edge a step is that of its shadow and the lid: patches reach 2 mm

Corners = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Jump:
    """A place where a line jumps across a seam."""

    scan_a: str
    scan_b: str
    x_mm: float  # from the master's left edge
    y_mm: float  # from its top edge
    shift_px: float


def seam_findings(lines: Sequence[SeamLine], layout: Layout, painting_px: Corners | None = None) -> tuple[Finding, ...]:
    """A failed check where seams show along too much of their length, or a line jumps; a note where little is known.

    `painting_px` : the painting's corners on the canvas, where its edges are certain; steps on the lid or
    beside the sheet's edge do not count, nor do jumps there between scans that lay differently turned.
    """
    counts = on_painting(painting_px, layout.canvas_ppi)
    return (
        *_visible(lines, counts),
        *_jumping(jumps(lines, layout, counts)),
        *_unmeasured(lines),
    )


def jumps(
    lines: Sequence[SeamLine], layout: Layout, counts: Callable[[tuple[float, float]], bool] = lambda _: True
) -> list[Jump]:
    """Every place where the shift across a seam reaches the limit, the largest first.

    `counts` : tells of a canvas px whether it shows paint. Elsewhere a jump between scans that lay differently turned
    is that of the sheet's shadow, which falls to the other side.
    """

    def mm(place_px: float) -> float:
        return mm_from_px(place_px + 0.5, layout.canvas_ppi)

    found = [
        Jump(line.scan_a, line.scan_b, mm(point[0]), mm(point[1]), shift)
        for line in lines
        for point, shift in zip(line.points_px, line.misregistration_px, strict=True)
        if shift is not None and shift >= limit_px(line, layout) and (not _is_turned(line, layout) or counts(point))
    ]
    return sorted(found, key=lambda jump: -jump.shift_px)


def limit_px(line: SeamLine, layout: Layout) -> float:
    """The shift from which a place along this seam fails."""
    is_straightened = layout.correction is not None and _is_turned(line, layout)
    return JUMP_SHIFT_STRAIGHTENED_PX if is_straightened else JUMP_SHIFT_PX


def _is_turned(line: SeamLine, layout: Layout) -> bool:
    """Whether the two scans lay differently turned."""
    return len({nearest_turn_deg(layout.placement(name).matrix) for name in (line.scan_a, line.scan_b)}) > 1


def _visible(lines: Sequence[SeamLine], counts: Callable[[tuple[float, float]], bool]) -> tuple[Finding, ...]:
    """Failed where a fiftieth of the seams shows plainly; a warning where it shows to whoever looks for it."""
    steps = [
        (step, weight)
        for line in lines
        for point, step, weight in zip(line.points_px, line.step_de00, point_weights_mm(line), strict=True)
        if counts(point)
    ]
    total = sum(weight for _, weight in steps)
    for limit, severity in ((PLAIN_STEP_DE00, Severity.FAILED), (VISIBLE_STEP_DE00, Severity.WARNING)):
        share = sum(weight for step, weight in steps if step >= limit) / total if total else 0.0
        if share > SHOWN_SHARE:
            return (_shown(share, limit, severity, max(step for step, _ in steps)),)
    return ()


def on_painting(painting_px: Corners | None, canvas_ppi: float) -> Callable[[tuple[float, float]], bool]:
    """Tells of a canvas px whether a seam there shows paint, not the lid or the sheet's edge."""
    edge_px = px_from_mm(EDGE_MM, canvas_ppi)
    return lambda point: painting_px is None or _is_inside(point, painting_px, edge_px)


def _is_inside(point: tuple[float, float], corners: Corners, inset_px: float) -> bool:
    """Whether a point lies so far inside a convex quadrilateral given clockwise as seen."""
    return all(
        (x1 - x0) * (point[1] - y0) - (y1 - y0) * (point[0] - x0) >= inset_px * math.hypot(x1 - x0, y1 - y0)
        for (x0, y0), (x1, y1) in zip(corners, (*corners[1:], corners[0]), strict=True)
    )


def _shown(share: float, limit_de00: float, severity: Severity, worst_de00: float) -> Finding:
    return Finding(
        "seam-visible",
        severity,
        f"Along {100 * share:.0f} % of the seams the colour of the two scans differs by {limit_de00:g} ΔE2000 or more "
        f"(the worst: {worst_de00:.1f}).",
        "Look at the worst spots in the report. Steps come from automatic exposure, uneven light over the glass, or a "
        "sheet that lifts off it: scan again with exposure fixed and the sheet held flat if they show.",
    )


def _jumping(found: Sequence[Jump]) -> tuple[Finding, ...]:
    if not found:
        return ()
    named = _apart(found)
    said = [
        f"{jump.shift_px:.1f} px between {jump.scan_a} and {jump.scan_b}, {jump.x_mm:.0f} mm from the left and "
        f"{jump.y_mm:.0f} mm from the top"
        for jump in named
    ]
    places = "one place" if len(found) == 1 else f"{len(found)} places"
    return (
        Finding(
            "seam-broken",
            Severity.FAILED,
            f"At {places} along the seams the two scans are apart: {'; '.join(said)}.",
            "Look there at 100 %; scan those two again, flat and still, if a line is broken.",
            tuple(dict.fromkeys(name for jump in named for name in (jump.scan_a, jump.scan_b))),
        ),
    )


def _apart(found: Sequence[Jump]) -> list[Jump]:
    """The largest few, no two close together."""
    named: list[Jump] = []
    for jump in found:
        if all(math.hypot(jump.x_mm - o.x_mm, jump.y_mm - o.y_mm) >= APART_MM for o in named):
            named.append(jump)
    return named[:NAMED_JUMPS]


def _unmeasured(lines: Sequence[SeamLine]) -> tuple[Finding, ...]:
    by_pair: dict[tuple[str, str], list[SeamLine]] = {}
    for line in lines:
        by_pair.setdefault((line.scan_a, line.scan_b), []).append(line)
    measured = {pair: seam_figures(own).misregistration_measured_fraction or 0.0 for pair, own in by_pair.items()}
    little = [f"{a} with {b}" for (a, b), share in measured.items() if share < LITTLE_MEASURED]
    if not little:
        return ()
    pairs = listed(little)
    share = seam_figures(lines).misregistration_measured_fraction or 0.0
    return (
        Finding(
            "seam-unmeasured",
            Severity.NOTE,
            f"Along most of these seams there is too little detail to measure whether the scans meet: {pairs}. "
            f"Of all seams together {100 * share:.0f} % of the length was measured.",
            "Where nothing can be measured, nothing can be seen to jump; look at the links for how sure those are.",
        ),
    )
