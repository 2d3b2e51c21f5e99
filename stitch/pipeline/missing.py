"""Is the master large enough to hold the painting that the tape measured?

A length whose edges are not both in view cannot be compared with the tape. But a master that ends too soon lacks a part
of the painting for certain: a whole row or column of pieces may not have been scanned.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stitch.imaging.affine import mm_from_px
from stitch.model.findings import Finding, Severity
from stitch.model.geometry import Size
from stitch.model.settings import JoinSettings
from stitch.model.size import Edge, SizeCheck
from stitch.size.verdict import tolerance_for

SIDES = {"width": ("left", "right"), "height": ("top", "bottom")}


@dataclass(frozen=True, slots=True)
class _Held:
    """What of one axis the master holds at most, and its edges that are not in view."""

    axis: str
    length_mm: float
    hidden: tuple[str, ...]


def missing_findings(check: SizeCheck, canvas: Size, settings: JoinSettings) -> tuple[Finding, ...]:
    """A failed finding for each axis along which the master cannot hold what was measured.

    Width and height may have been given the other way round: unless a length that could be measured says which, only
    what is too short either way is named.
    """
    held = [_held(axis, check, canvas) for axis in SIDES]
    plain = _short(held, {"width": settings.width_mm, "height": settings.height_mm}, settings.tolerance_mm)
    swapped = _short(held, {"width": settings.height_mm, "height": settings.width_mm}, settings.tolerance_mm)
    if check.is_swapped:
        return swapped
    is_plain = any(reading.is_ok for reading in check.readings)
    both = settings.width_mm is not None and settings.height_mm is not None
    return plain if is_plain or swapped or not both else ()


def _held(axis: str, check: SizeCheck, canvas: Size) -> _Held:
    k = 0 if axis == "width" else 1
    length_px = (canvas.width_px, canvas.height_px)[k]
    edges = {edge.side: edge for edge in check.edges}
    low, high = (edges.get(side) for side in SIDES[axis])
    ends = _place(low, k, -0.5), _place(high, k, length_px - 0.5)
    hidden = tuple(e.side for e in (low, high) if e is not None and not e.is_in_view)
    return _Held(axis, mm_from_px(ends[1] - ends[0], check.ppi), hidden)


def _place(edge: Edge | None, k: int, end_px: float) -> float:
    if edge is None or edge.start_px is None or edge.end_px is None:
        return end_px
    return float(np.mean([edge.start_px[k], edge.end_px[k]]))


def _short(held: list[_Held], declared: dict[str, float | None], tolerance_mm: float | None) -> tuple[Finding, ...]:
    found = []
    for one in held:
        expected = declared[one.axis]
        if not one.hidden or expected is None or one.length_mm >= expected - tolerance_for(expected, tolerance_mm):
            continue
        found.append(
            Finding(
                "part-missing",
                Severity.FAILED,
                f"The master holds only {one.length_mm:.0f} mm of the painting's {one.axis}; the tape says "
                f"{expected:.0f} mm. Its {' and '.join(one.hidden)} edge is not in view: a part is missing there.",
                "Scan the missing part with 30 mm or more of overlap, put it in the folder and run again.",
            )
        )
    return tuple(found)
