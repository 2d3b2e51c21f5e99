"""Lengths and ways of lying, in words for the terminal and the sheet."""

from __future__ import annotations

from fractions import Fraction

from stitch.model.plan import PlannedScan

MM_PER_INCH = 25.4
_WAYS = {
    0: "top away from you",
    90: "top to your right",
    180: "top towards you",
    270: "top to your left",
}


def mm(length_mm: float) -> str:
    """Without a unit, to a tenth where it is not whole."""
    return f"{round(length_mm, 1) + 0.0:g}"


def inches(length_mm: float) -> str:
    """To the nearest sixteenth, as on a ruler: 5 9/16 in."""
    sixteenths = round(abs(length_mm) / MM_PER_INCH * 16)
    whole, rest = divmod(sixteenths, 16)
    parts = ([str(whole)] if whole or not rest else []) + ([str(Fraction(rest, 16))] if rest else [])
    return f"{' '.join(parts)} in"


def edge(place_mm: float) -> str:
    """Where an edge of the painting is against the bed's: inside, over, or flush."""
    if round(abs(place_mm), 1) == 0:
        return "flush"
    return f"{mm(abs(place_mm))} mm {'inside' if place_mm > 0 else 'over'}"


def size(width_mm: float, height_mm: float) -> str:
    """Two sides, in mm."""
    return f"{mm(width_mm)} × {mm(height_mm)} mm"


def size_in_inches(width_mm: float, height_mm: float) -> str:
    """Two sides, in inches."""
    return f"{inches(width_mm).removesuffix(' in')} × {inches(height_mm)}"


def way_up(turn_deg: int) -> str:
    """Where the painting's top points."""
    return _WAYS[turn_deg]


def shared(scan: PlannedScan) -> str:
    """What a scan shares with each neighbour."""
    return ", ".join(f"{one.number}: {mm(one.overlap_mm)} mm" for one in scan.shares)
