"""A ruler held between two places decides the scale, where asked to and no tape was held to the edges."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from stitch.errors import RegisterError
from stitch.imaging.affine import mm_from_px
from stitch.imaging.placed_map import PlacedMap
from stitch.model.bed import Bed
from stitch.model.findings import Finding, Severity
from stitch.model.ties import Distance
from stitch.pipeline.distances import SIGMA_MM, between_px
from stitch.pipeline.fitting import MOST_CHANGE, Fitted


def fit_by_ruler(distances: Sequence[Distance], placed: Mapping[str, PlacedMap], ppi: float, bed: Bed) -> Fitted:
    """Bring the master to what the ruler says, by one factor for both axes.

    `placed` : px at `ppi` from scan px. Readings in scans that were left out do not count. The factor is that of
    least squares over all readings, each as sure as its two clicks and the ruler.

    Raises RegisterError when the scale would have to change by more than `MOST_CHANGE`.
    """
    read = [one for one in distances if one.scan_a in placed and one.scan_b in placed]
    if not read:
        return Fitted(None, bed, (_nothing_to_go_by(),))
    measured = np.array([mm_from_px(between_px(one, placed), ppi) for one in read])
    told = np.array([one.length_mm for one in read])
    factor = float(measured @ told / (measured @ measured))
    if abs(factor - 1) > MOST_CHANGE:
        raise RegisterError(
            f"The ruler does not fit: by the scans' resolution its places are {100 * (1 / factor - 1):+.1f} % off. "
            f"--fit-size changes the scale by {100 * MOST_CHANGE:g} % at most.",
            advice="Look whether both places are the ones the ruler was held to, and read it again. If it was right, "
            "the scans do not have the resolution that they state.",
        )
    sigma = SIGMA_MM / math.sqrt(float(measured @ measured))
    return Fitted((factor, factor), replace(bed, scale=bed.scale * factor), (_told(factor, sigma, len(read)),))


def _told(factor: float, sigma: float, count: int) -> Finding:
    readings = "reading" if count == 1 else f"{count} readings"
    return Finding(
        "size-fitted",
        Severity.NOTE,
        f"The master's scale was brought to the ruler's {readings} by {100 * (factor - 1):+.3f} % "
        f"(sure to ± {200 * sigma:.2f} %).",
        "The master is as right as the ruler was; comparing it with the same ruler proves nothing now. "
        "A longer distance is surer.",
    )


def _nothing_to_go_by() -> Finding:
    return Finding(
        "size-not-fitted",
        Severity.FAILED,
        "The scale could not be brought to the ruler's: its places lie in scans that were left out.",
        "Hold the ruler between places of other scans, or leave --fit-size away.",
    )
