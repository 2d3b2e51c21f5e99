"""What a line was found by: a background of another tone, or only a shadow."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stitch.size.candidates import SMALLEST_STEP
from stitch.size.lines import Fit
from stitch.size.strips import Strips

FloatArray = NDArray[np.float64]

LEAST_GROUND_MM = 1.0  # of background that must be seen
GROUND_SPREAD = 0.12  # most unevenness of the background along the side, of the code range
LEVEL_STEP = 0.04  # background and painting differ by more: found by the lid, else by the shadow alone
DIFFERING_SHARE = 0.3  # of the strips
LEAST_STRIPS = 5
AMBIGUOUS = "lid: a light background without a shadow (a blank margin would look the same)"
LIGHT, DARK = 0.7, 0.3  # mean code value of what is called so


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """In words what a line was found by, the background's colour (3,), and whether a shadow lies along the line."""

    words: str
    ground: FloatArray
    has_shadow: bool


def evidence_for(strips: Strips, fit: Fit, rows: NDArray[np.int64], px_per_mm: float) -> Evidence | None:
    """What a line was found by, or None without an even background outside it: then it is part of the painting."""
    at = np.asarray(fit.at(strips.centre_px[rows]))
    if np.median(at - strips.first_px[rows]) < LEAST_GROUND_MM * px_per_mm:
        return None
    ground = _levels(strips, rows, at, -4.0, -0.8, px_per_mm)
    seen = np.isfinite(ground[:, 0])
    if seen.sum() < LEAST_STRIPS or _unevenness(strips.centre_px[rows][seen], ground[seen]) > GROUND_SPREAD:
        return None
    far = _levels(strips, rows, at, -4.0, -2.0, px_per_mm)
    outside = np.where(np.isfinite(far), far, ground)
    inside = _levels(strips, rows, at, 0.5, 2.0, px_per_mm)
    rim = _levels(strips, rows, at, -0.75, -0.3, px_per_mm)
    return _evidence(outside[seen], rim[seen], inside[seen])


def _evidence(outside: FloatArray, rim: FloatArray, inside: FloatArray) -> Evidence:
    """What a line was found by, from mean colours (n, 3) far outside, just outside and inside."""
    ground = np.median(outside, axis=0)
    differs = np.abs(outside - inside).max(axis=1) >= LEVEL_STEP
    has_shadow = bool(np.median((outside - rim).max(axis=1)) > SMALLEST_STEP / 2)
    is_shadow_alone = bool(np.nanmean(differs) < DIFFERING_SHARE)
    return Evidence(_words(_named(ground), has_shadow=has_shadow, is_alone=is_shadow_alone), ground, has_shadow)


def _words(name: str, *, has_shadow: bool, is_alone: bool) -> str:
    if is_alone:
        return "shadow: found only by its shadow" if has_shadow else f"lid: a faint step against a {name} background"
    if name == "light" and not has_shadow:
        return AMBIGUOUS
    return f"lid: a {name} background"


def _levels(
    strips: Strips, rows: NDArray[np.int64], at: FloatArray, low_mm: float, high_mm: float, px_per_mm: float
) -> FloatArray:
    """Mean colour (n, 3) from `low_mm` to `high_mm` inside the line; nan where nothing is known there."""
    found = np.full((rows.size, 3), np.nan)
    for k, row in enumerate(rows):
        x0 = max(round(at[k] + low_mm * px_per_mm), int(strips.first_px[row]))
        x1 = min(round(at[k] + high_mm * px_per_mm) + 1, strips.colour.shape[1])
        if x1 > x0:
            found[k] = strips.colour[row, x0:x1].mean(axis=0)
    return found


def _unevenness(t: FloatArray, levels: FloatArray) -> float:
    """Robust spread of a background along a side, a steady slope left out."""
    spreads = []
    for channel in levels.T:
        left = channel - np.polyval(np.polyfit(t, channel, 1), t)
        spreads.append(1.4826 * float(np.median(np.abs(left - np.median(left)))))
    return max(spreads)


def _named(colour: FloatArray) -> str:
    light = float(colour.mean())
    return "light" if light > LIGHT else "dark" if light < DARK else "grey"
