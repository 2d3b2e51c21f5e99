"""Where roughly placed scans lie in mm, the painting's outline among them, and what of it is not covered."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.check.positions import Matched, match_plan
from stitch.imaging.affine import FloatArray, angle_deg, apply, compose, corners, nearest_turn_deg
from stitch.model.geometry import Size
from stitch.model.plan import ScanPlan
from stitch.register.arrange import upright_from_nominal
from stitch.register.composite import Composite, composite
from stitch.register.gaps import Gap, find_gaps
from stitch.register.place import Registration
from stitch.register.reduced import Reduced
from stitch.size.outline import Outline, Side, find_outline

SIDE_ORDER = (Side.LEFT, Side.TOP, Side.RIGHT, Side.BOTTOM)
UNLIKE_LID = 0.25  # codes 0..1; exposure that differs from scan to scan stays below
GRID = 24  # places looked at along each side of a planned piece
Edges = tuple[float | None, float | None, float | None, float | None]
"""Left, top, right and bottom edge of the painting, None where it was not seen."""


@dataclass(frozen=True, slots=True, eq=False)
class Lying:
    """Placed scans in one upright frame, mm: what a plan is held against."""

    mm_from_scan: Mapping[str, FloatArray]
    corners_mm: Mapping[str, FloatArray]  # (4, 2) each, clockwise from the scan's own top left
    turn_deg: Mapping[str, int]  # clockwise on the glass against most others
    edges_mm: Edges

    @property
    def painting_size_mm(self) -> tuple[float, float] | None:
        """Width and height of the painting where all its edges were seen."""
        left, top, right, bottom = self.edges_mm
        if left is None or top is None or right is None or bottom is None:
            return None
        return right - left, bottom - top

    def covered_share(self, quad_mm: FloatArray) -> float:
        """How much of a quadrilateral, (4, 2), some scan covers."""
        steps = (np.arange(GRID) + 0.5) / GRID
        u, v = (part.reshape(-1, 1) for part in np.meshgrid(steps, steps))
        top = quad_mm[0] + u * (quad_mm[1] - quad_mm[0])
        bottom = quad_mm[3] + u * (quad_mm[2] - quad_mm[3])
        places = top + v * (bottom - top)
        covered = np.zeros(len(places), bool)
        for corners_mm in self.corners_mm.values():
            covered |= _inside(places, corners_mm)
        return float(covered.mean())


@dataclass(frozen=True, slots=True, eq=False)
class Laid(Lying):
    """Scans as their small copies lie over each other: mm from the top left of all of them."""

    skew_deg: Mapping[str, float]  # against the painting's edges, where they were seen, else against the others
    picture: Composite
    outline: Outline
    gaps: tuple[Gap, ...]

    @property
    def painting_mm(self) -> FloatArray:
        """The painting's corners, (4, 2); sides not in view end where the scans do."""
        return self.outline.corners_px / self.picture.px_per_mm

    def unseen_sides(self) -> list[str]:
        """Sides of the painting without any background beside them."""
        return [side.value for side in SIDE_ORDER if not self.outline.side(side).is_in_view]


def lying(mm_from_scan: Mapping[str, FloatArray], sizes: Mapping[str, Size], edges_mm: Edges) -> Lying:
    """Scans by their maps into mm of an upright frame."""
    ends = {n: apply(m, corners(sizes[n].width_px, sizes[n].height_px)) for n, m in mm_from_scan.items()}
    return Lying(mm_from_scan, ends, _turns(mm_from_scan), edges_mm)


def lay(registration: Registration, reduced: Mapping[str, Reduced]) -> Laid:
    """Lay the small copies over each other."""
    upright = upright_from_nominal(registration)
    picture = composite(registration, reduced, upright)
    return laid_in(registration, upright, picture, find_outline(picture.rgb, picture.covered, picture.px_per_mm))


def laid_in(registration: Registration, upright: FloatArray, picture: Composite, outline: Outline) -> Laid:
    """The same from a picture that was made already. `upright` : upright px from nominal px."""
    to_mm = picture.picture_from_upright / picture.px_per_mm
    maps = {n: compose(to_mm, compose(upright, p.matrix())) for n, p in registration.poses.items()}
    bare = lying(maps, registration.sizes, _edges(outline, picture.px_per_mm))
    is_whole = all(side.is_in_view for side in outline.sides)
    return Laid(
        bare.mm_from_scan,
        bare.corners_mm,
        bare.turn_deg,
        bare.edges_mm,
        {name: _skew(matrix) - _edges_turn(outline) for name, matrix in maps.items()},
        picture,
        outline,
        find_gaps(picture, outline.corners_px if is_whole else None),
    )


def matched(laid: Lying, plan: ScanPlan, file_names: Mapping[str, str]) -> Matched:
    """The plan laid over the placed scans."""
    return match_plan(plan, {n: ends.mean(axis=0) for n, ends in laid.corners_mm.items()}, file_names, laid.edges_mm)


def inside_mm(laid: Laid, points_mm: FloatArray) -> FloatArray:
    """How far inside the painting's edges points lie, (n,); negative outside."""
    outline = laid.painting_mm.astype(np.float32)
    far = [cv2.pointPolygonTest(outline, (float(x), float(y)), measureDist=True) for x, y in points_mm]
    return np.array(far, dtype=np.float64)


def _turns(maps: Mapping[str, FloatArray]) -> dict[str, int]:
    """How far each scan lay turned clockwise against most others."""
    turns = {name: -nearest_turn_deg(matrix) % 360 for name, matrix in maps.items()}
    usual = max(sorted(set(turns.values())), key=list(turns.values()).count, default=0)
    return {name: (turn - usual) % 360 for name, turn in turns.items()}


def _inside(places: FloatArray, corners_mm: FloatArray) -> NDArray[np.bool_]:
    """Which places, (n, 2), lie in a convex quadrilateral given clockwise (y down)."""
    inside = np.ones(len(places), bool)
    for start, end in zip(corners_mm, np.roll(corners_mm, -1, axis=0), strict=True):
        along, out = end - start, places - start
        inside &= along[0] * out[:, 1] - along[1] * out[:, 0] >= 0
    return inside


def _edges(outline: Outline, px_per_mm: float) -> Edges:
    """Where the painting's edges lie; a side whose background is unlike the lid at the others is rather the paint's."""
    grounds = [line.ground for line in outline.sides if line.is_in_view and line.ground is not None]
    lid = np.median(grounds, axis=0) if len(grounds) > 2 else None
    found: list[float | None] = []
    for number, side in enumerate(SIDE_ORDER):
        line = outline.side(side)
        middle = (line.start_px + line.end_px) / 2 / px_per_mm
        is_lid = lid is None or line.ground is None or float(np.abs(line.ground - lid).max()) < UNLIKE_LID
        found.append(float(middle[number % 2]) if line.is_in_view and is_lid else None)
    return found[0], found[1], found[2], found[3]


def _skew(matrix: FloatArray) -> float:
    return (angle_deg(matrix) - nearest_turn_deg(matrix) + 180) % 360 - 180


def _edges_turn(outline: Outline) -> float:
    """How far the painting's edges lie turned in the picture, clockwise; 0 where none was seen."""
    found = []
    for line in outline.sides:
        if line.is_in_view:
            x, y = line.end_px - line.start_px
            found.append(math.degrees(math.atan2(y, x)))
    return float(np.median([(angle + 45) % 90 - 45 for angle in found])) if found else 0.0
