"""Which scan makes each part of the master, and how visible the seams are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, eq=False)
class LabelMap:
    """Labels on a coarse lattice of square cells; 0 is no scan, k is scan_ids[k - 1].

    Cell (row, column) covers canvas px [column × cell_px, (column + 1) × cell_px) and likewise in y.
    The label of every canvas pixel is derived from this lattice by ONE function (`imaging.labels.labels_at`),
    used by compose, the seam map, the label TIFF and the seam lines, so that they cannot disagree.
    """

    cells: NDArray[np.uint8]
    cell_px: int
    scan_ids: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SeamLine:
    """One seam between two scans: a polyline with measures at its points."""

    scan_a: str
    scan_b: str
    points_px: tuple[tuple[float, float], ...]  # canvas px
    step_de00: tuple[float, ...]  # at each point: low-passed ΔE2000 between the two tone-matched scans
    misregistration_px: tuple[float | None, ...]  # at each point; None where there is too little detail to tell
    length_mm: float
    sharpness_ratio: tuple[float | None, ...] = ()  # at each point: fine detail of scan_b over that of scan_a, if told

    @property
    def worst_step_de00(self) -> float:
        """Largest step along the seam (0 when it has no points)."""
        return max(self.step_de00, default=0.0)
