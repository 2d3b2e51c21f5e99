"""Is any part of the painting covered by no scan?

Links alone cannot tell: eight scans of nine hang together perfectly. Holes are looked for inside the painting's outline
where it was seen, else inside the rectangle around all scans.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from stitch.errors import RegisterError
from stitch.imaging.affine import FloatArray
from stitch.model.layout import Link
from stitch.register.composite import Composite

INSIDE_RADIUS_MM = 1.5  # an uncovered disc this large inside the outline is a hole
OUTSIDE_SHARE = 0.15  # of the shorter side of a scan: uncovered disc inside the rectangle around all scans


@dataclass(frozen=True, slots=True)
class Gap:
    """The largest uncovered disc."""

    x_mm: float  # centre, from the top left of the picture
    y_mm: float
    radius_mm: float
    place: str  # "top left", "middle", ...


def refuse_gaps(picture: Composite, outline_px: FloatArray | None, links: tuple[Link, ...] = ()) -> None:
    """Raise RegisterError when part of the painting is in no scan.

    `outline_px` holds the painting's corners in picture px, (4, 2) clockwise from top left, or None when its edges
    are not in view on all sides.
    """
    gap = find_gap(picture, outline_px)
    if gap is not None:
        raise RegisterError(
            f"The scans leave a hole in the {gap.place} of the painting, about {2 * gap.radius_mm:.0f} mm across, "
            "that no scan covers.",
            advice="Scan the missing piece with 30 mm or more of overlap, put it in the folder and run again.",
            links=links,
        )


def find_gap(picture: Composite, outline_px: FloatArray | None) -> Gap | None:
    """The largest hole that matters, or None."""
    height, width = picture.covered.shape
    inside = np.zeros((height, width), np.uint8)
    if outline_px is not None:
        cv2.fillConvexPoly(inside, np.round(outline_px).astype(np.int32), 1)
        limit_mm = INSIDE_RADIUS_MM
    else:
        inside[:] = 1
        shortest = min(min(np.hypot(*(p[1] - p[0])), np.hypot(*(p[2] - p[1]))) for p in picture.footprints)
        limit_mm = OUTSIDE_SHARE * float(shortest) / picture.px_per_mm
    missing = np.pad(inside * (~picture.covered).astype(np.uint8), 1)
    distance = cv2.distanceTransform(missing, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    _, radius, _, (x, y) = cv2.minMaxLoc(distance)
    radius_mm = radius / picture.px_per_mm
    if radius_mm <= limit_mm:
        return None
    return Gap(x / picture.px_per_mm, y / picture.px_per_mm, radius_mm, _place(x / width, y / height))


def _place(x: float, y: float) -> str:
    column = "left" if x < 1 / 3 else "right" if x > 2 / 3 else ""
    row = "top" if y < 1 / 3 else "bottom" if y > 2 / 3 else ""
    return f"{row} {column}".strip() or "middle"
