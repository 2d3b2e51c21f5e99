"""Is any part of the painting covered by no scan?

Links alone cannot tell: eight scans of nine hang together perfectly. Holes are looked for inside the painting's outline
where it was seen, else inside the rectangle around all scans; a missing corner is a hole, too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.errors import RegisterError
from stitch.imaging.affine import FloatArray
from stitch.model.layout import Link
from stitch.register.composite import Composite

INSIDE_RADIUS_MM = 1.5  # an uncovered disc this large inside the outline is a hole
OUTSIDE_SHARE = 0.15  # of the shorter side of a scan: uncovered disc inside the rectangle around all scans
BESIDE_MM = 3.0  # a scan that ends this near to the rectangle around a hole lies beside it
NAMED_GAPS = 4  # a message lists no more holes than this


@dataclass(frozen=True, slots=True)
class Gap:
    """One uncovered part of the painting."""

    x_mm: float  # middle of its widest place, from the top left of the picture
    y_mm: float
    radius_mm: float  # of the largest uncovered disc in it
    width_mm: float  # of the rectangle around it
    height_mm: float
    place: str  # "top left", "middle", ...
    beside: tuple[str, ...] = ()  # scans that end at it

    @property
    def words(self) -> str:
        """Where it is, how large, and beside which scans, for a sentence."""
        size = f"in the {self.place}, about {self.width_mm:.0f} × {self.height_mm:.0f} mm"
        return size + (f" (beside {', '.join(self.beside)})" if self.beside else "")


def refuse_gaps(gaps: Sequence[Gap], links: tuple[Link, ...] = ()) -> None:
    """Raise RegisterError when part of the painting is in no scan."""
    if not gaps:
        return
    pieces = "the missing piece" if len(gaps) == 1 else "the missing pieces"
    raise RegisterError(
        f"The scans leave {counted(gaps)} in the painting that no scan covers: {listed(gaps)}.",
        advice=f"Scan {pieces} with 30 mm or more of overlap, put it in the folder and run again. If nothing of the "
        "painting is there, add --allow-gaps.",
        scan_ids=tuple(dict.fromkeys(name for gap in gaps for name in gap.beside)),
        links=links,
    )


def counted(gaps: Sequence[Gap]) -> str:
    """ "a hole", "3 holes"."""
    return "a hole" if len(gaps) == 1 else f"{len(gaps)} holes"


def listed(gaps: Sequence[Gap]) -> str:
    """The holes one after another, the largest first; the tail of a long list is counted."""
    said = [gap.words for gap in gaps[:NAMED_GAPS]]
    if len(gaps) > NAMED_GAPS:
        said.append(f"and {len(gaps) - NAMED_GAPS} smaller")
    return "; ".join(said)


def find_gaps(picture: Composite, outline_px: FloatArray | None) -> tuple[Gap, ...]:
    """Every hole that matters, the largest first.

    `outline_px` holds the painting's corners in picture px, (4, 2) clockwise from top left, or None when its edges
    are not in view on all sides.
    """
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
    distance = np.asarray(cv2.distanceTransform(missing, cv2.DIST_L2, cv2.DIST_MASK_PRECISE), np.float32)
    cores = (distance > limit_mm * picture.px_per_mm).astype(np.uint8)
    count, labels = cv2.connectedComponents(cores, connectivity=8)
    found = [_gap(distance, labels == k, limit_mm, picture) for k in range(1, count)]
    return tuple(sorted(found, key=lambda gap: -gap.width_mm * gap.height_mm))


def _gap(distance: NDArray[np.float32], core: NDArray[np.bool_], limit_mm: float, picture: Composite) -> Gap:
    """A hole from the places in it that are farther than the limit from anything covered."""
    height, width = picture.covered.shape
    scale = picture.px_per_mm
    x0, y0, across, down = cv2.boundingRect(core.astype(np.uint8))
    deepest = np.where(core, distance, 0.0)
    y, x = np.unravel_index(int(deepest.argmax()), deepest.shape)
    middle = (x0 - 1 + across / 2) / width, (y0 - 1 + down / 2) / height
    width_mm, height_mm = across / scale + 2 * limit_mm, down / scale + 2 * limit_mm
    return Gap(
        x_mm=float(x - 1) / scale,
        y_mm=float(y - 1) / scale,
        radius_mm=float(deepest.max()) / scale,
        width_mm=width_mm,
        height_mm=height_mm,
        place=_place(*middle),
        beside=_beside(picture, (float(x - 1), float(y - 1)), scale * (max(width_mm, height_mm) / 2 + BESIDE_MM)),
    )


def _beside(picture: Composite, at: tuple[float, float], reach_px: float) -> tuple[str, ...]:
    """Scans that come as near to a point of the picture as that."""
    near = [cv2.pointPolygonTest(p.astype(np.float32), at, measureDist=True) >= -reach_px for p in picture.footprints]
    return tuple(sorted(name for name, is_near in zip(picture.scan_ids, near, strict=False) if is_near))


def _place(x: float, y: float) -> str:
    column = "left" if x < 1 / 3 else "right" if x > 2 / 3 else ""
    row = "top" if y < 1 / 3 else "bottom" if y > 2 / 3 else ""
    return f"{row} {column}".strip() or "middle"
