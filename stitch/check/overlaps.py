"""How wide the strips are that placed scans share."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from stitch.imaging.affine import FloatArray

THIN_MM = 15.0
THIN_SHARE = 0.08  # of the scan's side across the strip
SLACK_MM = 4.0
BESIDE_SHARE = 0.5  # of the shorter scan's side: two scans that run along each other so far are neighbours

Box = tuple[FloatArray, FloatArray]  # least and greatest x, y


@dataclass(frozen=True, slots=True)
class Strip:
    """What two neighbours share."""

    scan_a: str
    scan_b: str
    width_mm: float
    length_mm: float
    is_thin: bool


def strips(corners_mm: Mapping[str, FloatArray]) -> list[Strip]:
    """The strip of every two neighbours. `corners_mm` : of each scan in an upright frame, (4, 2)."""
    boxes = {name: (ends.min(axis=0), ends.max(axis=0)) for name, ends in corners_mm.items()}
    found = []
    for a, b in combinations(boxes, 2):
        strip = _strip(a, b, boxes[a], boxes[b])
        others = [box for name, box in boxes.items() if name not in (a, b)]
        if strip is not None and not any(_holds(box, boxes[a], boxes[b]) for box in others):
            found.append(strip)
    return found


def _holds(box: Box, a: Box, b: Box) -> bool:
    """Whether a third scan shows all that two share: then they need not share more."""
    low, high = np.maximum(a[0], b[0]), np.minimum(a[1], b[1])
    return bool((box[0] <= low + SLACK_MM).all() and (box[1] >= high - SLACK_MM).all())


def _strip(a: str, b: str, box_a: Box, box_b: Box) -> Strip | None:
    common = np.minimum(box_a[1], box_b[1]) - np.maximum(box_a[0], box_b[0])
    sides = np.minimum(box_a[1] - box_a[0], box_b[1] - box_b[0])
    across = int(np.argmin(common / sides))
    width, length = float(common[across]), float(common[1 - across])
    if width <= 0 or length < BESIDE_SHARE * sides[1 - across]:
        return None
    return Strip(a, b, width, length, width < max(THIN_MM, THIN_SHARE * float(sides[across])))
