"""What the painter says of the seams by hand: in this region use that scan, or keep it out.

Places in mm count from the master's top-left corner; places in px are px of a scan as its file shows it, origin at the
centre of the top-left pixel. Both x right, y down.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from stitch.model.geometry import Size
from stitch.model.layout import Placement

Points = tuple[tuple[float, float], ...]


class Want(StrEnum):
    """What is wished for."""

    PREFER = "prefer"  # the scan is used wherever it covers the region
    AVOID = "avoid"  # the scan is kept out of the region wherever another one covers it


@dataclass(frozen=True, slots=True)
class Wish:
    """One line of the book of wishes.

    `points` : two opposite corners of an upright rectangle, or the corners of a polygon in their order around it.
    `line` is its line in the file it was read from, 0 when it was not read; it plays no part when wishes are compared.
    """

    want: Want
    scan_id: str
    points: Points
    px_of: str = ""  # the scan whose px they are; "" for mm of the master
    note: str = ""
    line: int = field(default=0, compare=False)

    @property
    def corners(self) -> Points:
        """The corners of the region, a rectangle's written out."""
        if len(self.points) > 2:
            return self.points
        (x0, y0), (x1, y1) = self.points
        return (x0, y0), (x1, y0), (x1, y1), (x0, y1)


@dataclass(frozen=True, slots=True)
class WishPlace:
    """A wish with the corners of its region in canvas px; later ones go before earlier ones."""

    want: Want
    scan_id: str
    corners_px: Points


@dataclass(frozen=True, slots=True)
class WishOutcome:
    """What the cut made of one wish. Shares are 0..1; a share of nothing is 0."""

    region_mm2: float  # the part of the region that lies on the canvas
    covered_fraction: float  # share of it that the scan covers
    met_fraction: float  # share of what the scan covers where the wish is met
    lone_fraction: float  # avoid: share of what the scan covers that no other scan covers
    against: tuple[int, ...]  # positions of later wishes that went before this one somewhere


@dataclass(frozen=True, slots=True)
class FramedScan:
    """A scan in a frame. `key` names its content."""

    scan_id: str
    key: str
    size: Size
    placement: Placement


@dataclass(frozen=True, slots=True)
class Frame:
    """Where every scan of a master lies: what places in mm of it mean."""

    canvas: Size
    canvas_ppi: float
    scans: tuple[FramedScan, ...]


@dataclass(frozen=True, slots=True)
class HeldPlace:
    """A region's corners in px of one scan of known content."""

    scan_id: str
    key: str
    points_px: Points


@dataclass(frozen=True, slots=True)
class Held:
    """The paint that a region as it is written was first used for; the scan to be asked first comes first."""

    points: Points
    px_of: str
    places: tuple[HeldPlace, ...]
