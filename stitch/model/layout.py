"""Where every scan lies on the canvas, and how sure that is."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from stitch.model.bed import Bed, GlassSpeck
from stitch.model.geometry import Size

Affine = tuple[tuple[float, float, float], tuple[float, float, float]]
"""A 2×3 matrix as rows; `canvas_from_scan @ (x, y, 1)` gives canvas px of a scan px."""


@dataclass(frozen=True, slots=True)
class LocalCorrection:
    """What no linear map of one scan explains: a uniform cubic B-spline lattice of small shifts.

    The linear map takes a canvas point to the straightened scan point q; the scan shows it at p = q + e(q). With
    t = q / step, k = floor(t), the shift e is the sum of the 4 × 4 coefficients from column k_x and row k_y on, times
    the cubic B-spline weights of the fractions (de Boor, A Practical Guide to Splines, 1978, ch. IX). Coefficient 0
    thus belongs to knot −1. Outside the scan the shift is that of the nearest point of its border.
    """

    step_px: tuple[float, float]  # between knots along x and y, scan px
    dx_px: tuple[tuple[float, ...], ...]  # coefficients (rows, columns)
    dy_px: tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True)
class CorrectionFit:
    """That local corrections were applied, and what they are worth on patches the trial solve had not seen."""

    stiffness: str  # "stiff" or "flexible"
    before_p95_px: float  # distance between two scans, scan px, 95th percentile, without corrections
    after_p95_px: float


@dataclass(frozen=True, slots=True)
class Placement:
    """The map of one scan onto the canvas (canvas px from scan px, pixel centres at whole numbers).

    `canvas_from_scan` is the linear part. With a `correction` it maps straightened scan px; `imaging.placed_map` holds
    the whole map.
    """

    scan_id: str
    canvas_from_scan: Affine
    sigma_px: float  # standard deviation expected of the placement, scan px
    correction: LocalCorrection | None = None
    probability: float | None = None  # of being where it belongs; None where it was not estimated

    @property
    def matrix(self) -> NDArray[np.float64]:
        """The linear part as a float64 array of shape (2, 3)."""
        return np.array(self.canvas_from_scan, dtype=np.float64)


class Pinned(StrEnum):
    """In how many directions a link holds its two scans."""

    FULLY = "fully"
    ONE_DIRECTION = "one-direction"  # a straight edge does: free to slide along it


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
    pinned: Pinned = Pinned.FULLY
    probability: float | None = None  # of being right; None where it was not estimated
    expected_px: float | None = None  # rms distance expected between the two scans over their overlap, scan px
    bound_px: float | None = None  # the rms distance is below this in 95 of 100 such links, scan px
    tie_count: int = 0  # ties made by hand, where nothing else links the two


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A scan that found its place but is not used: another shows all it shows, and more sharply."""

    scan_id: str
    kept_id: str
    sharpness_fraction: float  # fine detail of this scan ÷ that of the one kept, over what both show


@dataclass(frozen=True, slots=True)
class Layout:
    """All placements on one canvas."""

    canvas: Size
    canvas_ppi: float
    placements: tuple[Placement, ...]
    links: tuple[Link, ...]
    is_whole_pixel: bool  # every placement is a shift by whole pixels: nothing is resampled
    up_deg: int  # turn asked for on top (0, 90, 180, 270), already inside the placements
    bed: Bed = field(default_factory=Bed)
    glass: tuple[GlassSpeck, ...] = ()
    correction: CorrectionFit | None = None  # None: none was needed, or none would have helped
    left_out: tuple[LeftOut, ...] = ()
    tape_scale: tuple[float, float] | None = None  # factors across and down that brought the master to the tape's size

    def placement(self, scan_id: str) -> Placement:
        """The placement of one scan. Raises KeyError when the scan is not placed."""
        for placement in self.placements:
            if placement.scan_id == scan_id:
                return placement
        raise KeyError(scan_id)
