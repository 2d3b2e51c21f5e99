"""Gain, gamma and offset of all scans while they are being solved for, and light brought to the reference by them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stitch.imaging.affine import FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Matches:
    """matched = gain × light^gamma + offset for every scan and channel, each (scan_count, 3)."""

    gains: FloatArray
    gammas: FloatArray
    offsets: FloatArray

    @staticmethod
    def none(scan_count: int) -> Matches:
        """Every scan as it is."""
        return Matches(np.ones((scan_count, 3)), np.ones((scan_count, 3)), np.zeros((scan_count, 3)))

    def of(self, scan: int, light: FloatArray) -> FloatArray:
        """Light (n, 3) of a scan in the tone of the reference."""
        return power(light, self.gammas[scan]) * self.gains[scan] + self.offsets[scan]


def power(light: FloatArray, gamma: FloatArray) -> FloatArray:
    """light^gamma; exactly `light` in channels of gamma 1, and 0 for light below 0 in the others."""
    if np.all(gamma == 1.0):
        return light
    return np.where(gamma == 1.0, light, np.maximum(light, 0.0) ** gamma)
