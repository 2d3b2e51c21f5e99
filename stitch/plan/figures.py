"""What a plan comes to: pixels, bytes, prints, and from how far a print is seen sharp."""

from __future__ import annotations

import math
from dataclasses import dataclass

from stitch.model.geometry import Size
from stitch.model.plan import ScanPlan
from stitch.plan.sides import RIM_MM

MM_PER_INCH = 25.4
USUAL_DPI = (150, 200, 300, 400, 600, 800, 1200, 1600, 2400, 3200, 4800)  # what scanners commonly offer
PRINT_DPI = (300, 200)
ENLARGED = 2.0  # pixels made up between pixels by a print shop, each way: no detail is added
# One minute of arc, the finest that normal (20/20) sight resolves: dpi = 1 / (distance · tan 1').
INCHES_PER_DOT = 1 / math.tan(math.radians(1 / 60))


@dataclass(frozen=True, slots=True)
class Print:
    """A print of the whole painting. `enlarged` : 1, or how often each pixel is made up into more, each way."""

    dpi: float
    enlarged: float
    width_mm: float
    height_mm: float
    sharp_from_mm: float


@dataclass(frozen=True, slots=True)
class PrintNeed:
    """What a wanted print asks of the scans."""

    needed_dpi: float
    times: float  # how much larger than the painting it is
    trimmed_mm: float  # how much of the longer way over is cut off so that the print is filled


def pixels(length_mm: float, dpi: float) -> int:
    """Pixels along a length."""
    return round(length_mm / MM_PER_INCH * dpi)


def scan_size(plan: ScanPlan) -> Size:
    """One scan: the whole glass."""
    return Size(pixels(plan.bed.width_mm, plan.dpi), pixels(plan.bed.height_mm, plan.dpi))


def master_size(plan: ScanPlan) -> Size:
    """The master: the painting and a little of the lid around it."""
    around = 2 * RIM_MM
    return Size(pixels(plan.painting_width_mm + around, plan.dpi), pixels(plan.painting_height_mm + around, plan.dpi))


def picture_bytes(size: Size, bits: int) -> int:
    """RGB pixels without compression."""
    return size.width_px * size.height_px * 3 * bits // 8


def sharp_from_mm(dots_per_inch: float) -> float:
    """The distance from which single dots are no longer seen: d = 1 / (dpi · tan 1'), in inches 3437.75 / dpi."""
    return INCHES_PER_DOT / dots_per_inch * MM_PER_INCH


def largest_prints(plan: ScanPlan) -> tuple[Print, ...]:
    """The largest prints at usual print resolutions, with a pixel of the scan for each dot, and enlarged."""
    return tuple(_print(plan, dpi, enlarged) for dpi in PRINT_DPI for enlarged in (1.0, ENLARGED))


def _print(plan: ScanPlan, dpi: float, enlarged: float) -> Print:
    times = plan.dpi / dpi * enlarged
    width, height = plan.painting_width_mm * times, plan.painting_height_mm * times
    return Print(dpi, enlarged, width, height, sharp_from_mm(dpi / enlarged))


def print_need(painting_mm: tuple[float, float], print_mm: tuple[float, float], print_dpi: float) -> PrintNeed:
    """The scanning resolution at which every dot of a print has a pixel of its own.

    The print is filled, turned to lie as the painting does; what its shape leaves over is trimmed.
    """
    width, height = painting_mm
    wide, high = print_mm if (print_mm[0] >= print_mm[1]) == (width >= height) else print_mm[::-1]
    times = max(wide / width, high / height)
    trimmed = max(width * times - wide, height * times - high)
    return PrintNeed(print_dpi * times, times, trimmed)


def usual_dpi(needed: float) -> float | None:
    """The least resolution of those that scanners offer; None when none is enough."""
    return next((float(dpi) for dpi in USUAL_DPI if dpi >= needed - 1e-6), None)
