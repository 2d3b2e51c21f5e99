"""A plan for scanning: how a painting is laid on the bed, piece by piece. `plan.json` is this record.

Two frames, both in mm, x to the right and y down:

- the *painting*: its front, upright; origin at its top-left corner.
- the *bed*: the glass as seen from above by whoever stands before it; origin at its far left corner, y towards her. The
  painting lies on it face down, so that she sees its back. In the *lying* frame the origin is instead the far left
  corner of the painting as it lies.

`turn_deg` is how far the painting lies turned clockwise, as she sees its back; 0: its top points away from her. Seen by
the scanner from below, the front then lies turned anticlockwise by as much. A scanner may turn every file by one more
angle of its own, which no plan knows; angles between the files of one plan are as their `turn_deg` say.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

KIND = "stitch plan"
SCHEMA = 1


class Hinge(StrEnum):
    """The side of the bed that the painting cannot hang over while the lid is on."""

    NONE = "none"
    TOP = "top"  # the far side
    LEFT = "left"
    RIGHT = "right"


class Turn(StrEnum):
    """Which pieces may be laid turned half around, against the others."""

    ANY = "any"  # where that spares taking the lid off
    NONE = "none"
    FAR_HALF = "far-half"  # the half of the pieces that would reach furthest over the hinge's (or the far) side


@dataclass(frozen=True, slots=True)
class Bed:
    """The glass. `margin_mm` along its edges is not relied on: paper over the frame's lip is lifted there."""

    width_mm: float
    height_mm: float
    margin_mm: float = 0.0
    hinge: Hinge = Hinge.NONE


@dataclass(frozen=True, slots=True)
class Shared:
    """What a scan shares with a neighbour: the width of the strip."""

    number: int
    overlap_mm: float


@dataclass(frozen=True, slots=True)
class PlannedScan:
    """One scan. `row` and `column` count from 1 on the painting's front, upright.

    The rectangle is what the scan surely shows (the glass without its margin), in the painting's frame; it may reach
    over the painting's edges. `left_mm` and `far_mm` say where the left and the far edge of the lying painting are in
    the bed's frame: negative where it hangs over.
    """

    number: int
    file_name: str
    row: int
    column: int
    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    turn_deg: int
    left_mm: float
    far_mm: float
    needs_lid_off: bool
    shares: tuple[Shared, ...]


@dataclass(frozen=True, slots=True)
class ScanPlan:
    """The whole plan; `scans` in the order of scanning."""

    painting_width_mm: float
    painting_height_mm: float
    paper_margin_mm: float
    bed: Bed
    turn: Turn
    dpi: float
    bits: int
    least_overlap_x_mm: float  # asked of neighbours beside each other, in the painting's frame
    least_overlap_y_mm: float  # of neighbours above each other
    rows: int
    columns: int
    scans: tuple[PlannedScan, ...]
    title: str = ""
    kind: str = KIND
    schema: int = SCHEMA
    tool_version: str = ""

    @property
    def has_turned(self) -> bool:
        """Whether some pieces lie turned against others."""
        return len({scan.turn_deg for scan in self.scans}) > 1
