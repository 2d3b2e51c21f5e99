"""How much neighbouring scans have to share."""

from __future__ import annotations

from dataclasses import dataclass

from stitch.errors import UsageError
from stitch.model.plan import ScanPlan

LEAST_MM = 30.0  # what placing needs, as the README asks for
HAND_MM = 3.0  # how far off a piece laid by hand may be
LEAST_FRACTION = 0.15  # of the bed's side: from there on all true pairs were linked on simulated scans
MOST_FRACTION = 0.9  # nearly equal scans would be taken for the same piece scanned twice


@dataclass(frozen=True, slots=True)
class Overlap:
    """As asked for: a share of the bed's side, or a length."""

    fraction: float | None = 0.2
    length_mm: float | None = None

    def of(self, side_mm: float) -> float:
        """In mm on a bed of that side."""
        return self.length_mm if self.length_mm is not None else (self.fraction or 0.0) * side_mm


def least_mm(side_mm: float) -> float:
    """The overlap below which no plan goes."""
    return max(LEAST_MM + 2 * HAND_MM, LEAST_FRACTION * side_mm)


def is_raised(asked: Overlap, plan: ScanPlan) -> bool:
    """Whether a plan had to go above the overlap asked for, so that scans can be placed."""
    sides = ((plan.least_overlap_x_mm, plan.scans[0].width_mm), (plan.least_overlap_y_mm, plan.scans[0].height_mm))
    return any(planned > 0 and asked.of(side) < least_mm(side) for planned, side in sides)


def needed_mm(
    asked: Overlap, side_mm: float, *, along_mm: float, sheet_along_mm: float, paper_margin_mm: float
) -> float:
    """The overlap to plan with, along a bed's side.

    Strips of outer pieces run through a blank border. They are widened by as much as the border shortens them, so that
    they hold as much paint as elsewhere (our own rule; no published one was found).

    side_mm : the bed's side across the strip. along_mm, sheet_along_mm : the bed's and the painting's along the strip.

    Raises UsageError when the bed is too small for such an overlap, or the border leaves an outer piece without paint.
    """
    wanted = max(asked.of(side_mm), least_mm(side_mm))
    strip_mm = min(along_mm, sheet_along_mm)
    borders = 2 if sheet_along_mm <= along_mm else 1
    painted_mm = strip_mm - borders * paper_margin_mm
    if painted_mm < LEAST_MM or side_mm - paper_margin_mm < wanted:
        raise UsageError(
            f"A blank border of {paper_margin_mm:g} mm leaves next to no paint in the outer scans.",
            advice="Use a larger bed.",
        )
    wanted *= strip_mm / painted_mm
    if wanted > MOST_FRACTION * side_mm:
        raise UsageError(
            f"Scans would have to share {wanted:.0f} mm of a bed's side of {side_mm:.0f} mm.",
            advice="Ask for less overlap, or use a larger bed.",
        )
    return wanted
