"""The scanner's own geometry and dirt: what sits at the same place of the glass in every scan."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray


class BedSource(StrEnum):
    """Where the bed's shape is known from."""

    UNKNOWN = "unknown"  # nothing showed it: pieces turned by 0° and 180° only, and no other source
    TURNED_PIECES = "turned-pieces"  # pieces turned by a quarter against others
    TAPE = "tape"  # the painting's measured width and height
    FILE = "file"  # a calibration saved from an earlier painting


@dataclass(frozen=True, slots=True)
class Bed:
    """The linear part that all scans of one scanner share: true px = linear · scan px, with x across, y along the pass.

    `linear` is [[exp(a/2), k/2], [k/2, exp(−a/2)]] with a = ln(1 + anisotropy), k = tan(skew), times `scale`. Turns and
    shifts are not in it: they belong to each scan.
    """

    source: BedSource = BedSource.UNKNOWN
    anisotropy: float = 0.0  # true size of a px across ÷ along, minus 1
    skew_deg: float = 0.0  # how far the two axes are from a right angle; positive: less than 90° between +x and +y
    scale: float = 1.0  # true px for a scan px, mean of both axes; 1 unless the tape said otherwise
    sigma_anisotropy: float = 0.0  # standard deviations, 0 where nothing was measured
    sigma_skew_deg: float = 0.0

    @property
    def linear(self) -> NDArray[np.float64]:
        """True px from scan px, (2, 2)."""
        half = math.log1p(self.anisotropy) / 2
        shear = math.tan(math.radians(self.skew_deg)) / 2
        return self.scale * np.array([[math.exp(half), shear], [shear, math.exp(-half)]])


@dataclass(frozen=True, slots=True)
class GlassSpeck:
    """Something on the glass, seen at the same bed position in several scans."""

    x_mm: float  # from the left edge of the scan
    y_mm: float  # from its top edge
    size_mm: float  # diameter of a circle of the same area
    scan_count: int  # scans that show it
    length_mm: float = 0.0  # of a hair or scratch, or of a piece of one, along `angle_deg`; 0 for a grain
    angle_deg: float = 0.0  # from x towards y
