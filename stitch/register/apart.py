"""How far two scans put the same points apart, under any maps."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import FloatArray
from stitch.imaging.placed_map import PlacedMap
from stitch.register.patches import Measured
from stitch.register.solve import Points

HELD_SIGMA_PX = 0.25  # a direction known no better than this is not measured


def points_of(measured: Measured, placed: Mapping[str, PlacedMap], chosen: NDArray[np.bool_]) -> Points:
    """Some of the measured points for a solve, their covariance turned into the frame the maps lead to."""
    linear = placed[measured.scan_a].canvas_from_straight[:, :2]
    return Points(
        measured.scan_a,
        measured.scan_b,
        measured.points_a[chosen],
        measured.points_b[chosen],
        np.einsum("ij,njk,lk->nil", linear, measured.covariance_px2[chosen], linear),
    )


def apart_px(placed: Mapping[str, PlacedMap], points: Points) -> FloatArray:
    """Distance vectors (n, 2), canvas px, between where the two maps put each point."""
    a, b = placed[points.scan_a], placed[points.scan_b]
    return a.canvas_from_scan(points.points_a) - b.canvas_from_scan(points.points_b)


def in_sigmas(off_px: FloatArray, covariance_px2: FloatArray) -> FloatArray:
    """Lengths of (n, 2) errors in units of their own standard deviation: directions that are not held hardly count."""
    return np.asarray(np.sqrt(np.einsum("ni,nij,nj->n", off_px, np.linalg.inv(covariance_px2), off_px)))


def held_distances(off_px: FloatArray, covariance_px2: FloatArray) -> FloatArray:
    """Lengths of (n, 2) errors, each only along the directions in which its patch could be measured.

    A patch on a straight edge says nothing about shifts along the edge; one that says nothing at all is left out.
    """
    variances, directions = np.linalg.eigh(covariance_px2)
    is_held = variances < HELD_SIGMA_PX**2
    parts = np.einsum("ni,nij->nj", off_px, directions) * is_held
    return np.asarray(np.hypot(*parts.T)[is_held.any(axis=1)])
