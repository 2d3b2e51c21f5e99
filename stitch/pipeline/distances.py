"""Distances read off a ruler between two places, against the same places in the master."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from stitch.imaging.affine import mm_from_px
from stitch.imaging.placed_map import PlacedMap
from stitch.model.findings import Finding, Severity
from stitch.model.size import SizeCheck, SizeReading
from stitch.model.ties import Distance
from stitch.size.verdict import published_figures, scale_error_percent, tolerance_for
from stitch.ties.snap import CLICK_SIGMA_MM

RULER = "ruler"  # what the names of these readings begin with
SIGMA_MM = math.hypot(math.sqrt(2) * CLICK_SIGMA_MM, 0.5)  # of a reading: two clicks, and the ruler as a tape


def with_distances(
    check: SizeCheck,
    distances: Sequence[Distance],
    maps: Mapping[str, PlacedMap],
    ppi: float,
    tolerance_mm: float | None,
) -> SizeCheck:
    """The size check with a reading for every known distance; the scale's error is that of all readings.

    `maps` : canvas from scan of every scan used, at `ppi`; a distance in a scan that was left out is not read.
    """
    added = tuple(
        _reading(number, one, maps, ppi, tolerance_mm)
        for number, one in enumerate(distances, start=1)
        if one.scan_a in maps and one.scan_b in maps
    )
    if not added:
        return check
    readings = (*check.readings, *added)
    return replace(
        check,
        readings=readings,
        scale_error_percent=scale_error_percent(readings),
        published_figures=published_figures(readings),
    )


def between_px(one: Distance, maps: Mapping[str, PlacedMap]) -> float:
    """How far the two places of a reading lie apart on the canvas of `maps`."""
    ends = [
        maps[name].canvas_from_scan(np.array([place]))[0]
        for name, place in ((one.scan_a, one.a_px), (one.scan_b, one.b_px))
    ]
    return float(np.hypot(*(ends[0] - ends[1])))


def distance_findings(check: SizeCheck) -> tuple[Finding, ...]:
    """A failed check for every known distance that the master does not meet."""
    return tuple(
        Finding(
            "distance",
            Severity.FAILED,
            f"The {one.name} measures {one.measured_mm:.1f} mm in the master; the ruler says "
            f"{one.expected_mm or 0.0:.1f} mm (allowed: ± {one.tolerance_mm or 0.0:.1f} mm).",
            "Look whether both places are the ones the ruler was held to, and read it again. If it was right, the "
            "scans do not have the resolution that they state.",
        )
        for one in check.readings
        if one.is_ok is False and one.name.startswith(RULER)
    )


def _reading(
    number: int, one: Distance, maps: Mapping[str, PlacedMap], ppi: float, tolerance_mm: float | None
) -> SizeReading:
    measured = mm_from_px(between_px(one, maps), ppi)
    tolerance = tolerance_for(one.length_mm, tolerance_mm)
    where = one.scan_a if one.scan_a == one.scan_b else f"{one.scan_a} to {one.scan_b}"
    return SizeReading(
        f"{RULER} {number} in {where}" if one.scan_a == one.scan_b else f"{RULER} {number} from {where}",
        measured,
        math.sqrt(2) * CLICK_SIGMA_MM,
        one.length_mm,
        tolerance,
        abs(measured - one.length_mm) <= tolerance,
    )
