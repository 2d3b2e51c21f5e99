"""How far a join is when each of its steps begins and ends: for one bar over the whole run."""

from __future__ import annotations

from collections.abc import Mapping

JOIN: Mapping[str, tuple[float, float]] = {
    "Checking the scans": (0.0, 0.03),
    "Reading scans": (0.03, 0.08),
    "Comparing scans": (0.08, 0.2),
    "Comparing the scans left over": (0.2, 0.2),
    "Comparing colours": (0.2, 0.2),
    "Comparing the paper's tooth": (0.2, 0.2),
    "Measuring overlaps": (0.2, 0.42),
    "Comparing tones": (0.42, 0.46),
    "Looking for white": (0.46, 0.47),
    "Looking for the best seams": (0.47, 0.54),
    "Measuring the seams": (0.54, 0.64),
    "Composing": (0.64, 0.96),
    "Writing the layers": (0.96, 0.96),
    "Writing the masks": (0.96, 0.96),
}
"""Rough shares of the wall time of nine scans of 309 megapixels on two cores, profiled. A step that is not always
needed has no share of its own: the bar waits there. What is not named here begins and ends where the bar stands.
"""
