"""Where every scan lies on the canvas, and how sure that is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stitch.model.geometry import Size

Affine = tuple[tuple[float, float, float], tuple[float, float, float]]
"""A 2×3 matrix as rows; `canvas_from_scan @ (x, y, 1)` gives canvas px of a scan px."""


@dataclass(frozen=True, slots=True)
class Placement:
    """The map of one scan onto the canvas (canvas px from scan px, pixel centres at whole numbers)."""

    scan_id: str
    canvas_from_scan: Affine
    sigma_px: float  # standard deviation expected of the placement, scan px

    @property
    def matrix(self) -> NDArray[np.float64]:
        """The map as a float64 array of shape (2, 3)."""
        return np.array(self.canvas_from_scan, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Link:
    """Two scans found to overlap, with an error measured on patches the solve did not use."""

    scan_a: str
    scan_b: str
    turn_deg: int  # how far b is turned against a: 0, 90, 180, 270
    match_count: int  # feature matches that agree
    overlap_fraction: float  # of the smaller scan
    patch_count: int  # patches used by the solve
    heldout_count: int  # patches kept apart
    median_px: float  # distances between the two maps on held-out patches, scan px
    p95_px: float
    max_px: float
    is_weak: bool
    reason: str  # why weak, "" when not


@dataclass(frozen=True, slots=True)
class Layout:
    """All placements on one canvas."""

    canvas: Size
    canvas_ppi: float
    placements: tuple[Placement, ...]
    links: tuple[Link, ...]
    is_whole_pixel: bool  # every placement is a shift by whole pixels: nothing is resampled
    up_deg: int  # turn asked for on top (0, 90, 180, 270), already inside the placements

    def placement(self, scan_id: str) -> Placement:
        """The placement of one scan. Raises KeyError when the scan is not placed."""
        for placement in self.placements:
            if placement.scan_id == scan_id:
                return placement
        raise KeyError(scan_id)
