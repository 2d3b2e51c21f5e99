"""Where roughly placed scans lie in mm, the painting's outline among them, and what of it is not covered."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np

from stitch.check.positions import Matched, match_plan
from stitch.imaging.affine import FloatArray, angle_deg, apply, compose, corners, nearest_turn_deg
from stitch.model.plan import ScanPlan
from stitch.register.arrange import upright_from_nominal
from stitch.register.composite import Composite, composite
from stitch.register.gaps import Gap, find_gaps
from stitch.register.place import Registration
from stitch.register.reduced import Reduced
from stitch.size.outline import Outline, Side, find_outline

SIDE_ORDER = (Side.LEFT, Side.TOP, Side.RIGHT, Side.BOTTOM)
GRID = 24  # places looked at along each side of a planned piece


@dataclass(frozen=True, slots=True, eq=False)
class Laid:
    """Placed scans in one upright frame: mm from the top left of all of them."""

    mm_from_scan: Mapping[str, FloatArray]
    corners_mm: Mapping[str, FloatArray]  # (4, 2) each, clockwise from the scan's own top left
    turn_deg: Mapping[str, int]  # clockwise on the glass against most others
    skew_deg: Mapping[str, float]  # against the painting's edges, where they were seen, else against the others
    picture: Composite
    outline: Outline
    gaps: tuple[Gap, ...]

    @property
    def painting_mm(self) -> FloatArray:
        """The painting's corners, (4, 2); sides not in view end where the scans do."""
        return self.outline.corners_px / self.picture.px_per_mm

    @property
    def edges_mm(self) -> tuple[float | None, float | None, float | None, float | None]:
        """Left, top, right and bottom edge of the painting where they were seen."""
        found = []
        for number, side in enumerate(SIDE_ORDER):
            line = self.outline.side(side)
            middle = (line.start_px + line.end_px) / 2 / self.picture.px_per_mm
            found.append(float(middle[number % 2]) if line.is_in_view else None)
        return found[0], found[1], found[2], found[3]

    @property
    def painting_size_mm(self) -> tuple[float, float] | None:
        """Width and height of the painting where all its edges were seen."""
        left, top, right, bottom = self.edges_mm
        if left is None or top is None or right is None or bottom is None:
            return None
        return right - left, bottom - top

    def unseen_sides(self) -> list[str]:
        """Sides of the painting without any background beside them."""
        return [side.value for side in SIDE_ORDER if not self.outline.side(side).is_in_view]


def lay(registration: Registration, reduced: Mapping[str, Reduced]) -> Laid:
    """Lay the small copies over each other."""
    upright = upright_from_nominal(registration)
    picture = composite(registration, reduced, upright)
    to_mm = picture.picture_from_upright / picture.px_per_mm
    maps = {n: compose(to_mm, compose(upright, p.matrix())) for n, p in registration.poses.items()}
    ends = {
        name: apply(maps[name], corners(size.width_px, size.height_px)) for name, size in registration.sizes.items()
    }
    outline = find_outline(picture.rgb, picture.covered, picture.px_per_mm)
    is_whole = all(side.is_in_view for side in outline.sides)
    return Laid(
        maps,
        ends,
        {name: -nearest_turn_deg(matrix) % 360 for name, matrix in maps.items()},
        {name: _skew(matrix) - _edges_turn(outline) for name, matrix in maps.items()},
        picture,
        outline,
        find_gaps(picture, outline.corners_px if is_whole else None),
    )


def matched(laid: Laid, plan: ScanPlan, file_names: Mapping[str, str]) -> Matched:
    """The plan laid over the placed scans."""
    return match_plan(plan, {n: ends.mean(axis=0) for n, ends in laid.corners_mm.items()}, file_names, laid.edges_mm)


def inside_mm(laid: Laid, points_mm: FloatArray) -> FloatArray:
    """How far inside the painting's edges points lie, (n,); negative outside."""
    outline = laid.painting_mm.astype(np.float32)
    far = [cv2.pointPolygonTest(outline, (float(x), float(y)), measureDist=True) for x, y in points_mm]
    return np.array(far, dtype=np.float64)


def _skew(matrix: FloatArray) -> float:
    return (angle_deg(matrix) - nearest_turn_deg(matrix) + 180) % 360 - 180


def covered_share(laid: Laid, corners_mm: FloatArray) -> float:
    """How much of a quadrilateral some scan covers; outside the picture nothing is."""
    steps = (np.arange(GRID) + 0.5) / GRID
    u, v = (part.reshape(-1, 1) for part in np.meshgrid(steps, steps))
    top = corners_mm[0] + u * (corners_mm[1] - corners_mm[0])
    bottom = corners_mm[3] + u * (corners_mm[2] - corners_mm[3])
    x, y = np.floor((top + v * (bottom - top)) * laid.picture.px_per_mm).astype(int).T
    height, width = laid.picture.covered.shape
    inside = (x >= 0) & (y >= 0) & (x < width) & (y < height)
    return float(laid.picture.covered[y[inside], x[inside]].sum()) / len(x)


def _edges_turn(outline: Outline) -> float:
    """How far the painting's edges lie turned in the picture, clockwise; 0 where none was seen."""
    found = []
    for line in outline.sides:
        if line.is_in_view:
            x, y = line.end_px - line.start_px
            found.append(math.degrees(math.atan2(y, x)))
    return float(np.median([(angle + 45) % 90 - 45 for angle in found])) if found else 0.0
