"""2×3 affine maps as float64 arrays, and lengths in mm and px.

Maps are named `to_from`: `canvas_from_scan @ p_scan`. Points are (x, y) with pixel centres at whole numbers.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from stitch.model.layout import Affine

FloatArray = NDArray[np.float64]

MM_PER_INCH = 25.4  # exact by definition

IDENTITY: FloatArray = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])


def rigid(angle_rad: float, x: float, y: float, scale: float = 1.0) -> FloatArray:
    """Rotation by `angle_rad` (positive turns x towards y, clockwise as seen), then scale, then shift."""
    c, s = math.cos(angle_rad) * scale, math.sin(angle_rad) * scale
    return np.array([[c, -s, x], [s, c, y]])


def apply(matrix: FloatArray, points: FloatArray) -> FloatArray:
    """Map points of shape (..., 2)."""
    return points @ matrix[:, :2].T + matrix[:, 2]


def compose(outer: FloatArray, inner: FloatArray) -> FloatArray:
    """The map that applies `inner` first: compose(c_from_b, b_from_a) is c_from_a."""
    linear = outer[:, :2] @ inner[:, :2]
    shift = outer[:, :2] @ inner[:, 2] + outer[:, 2]
    return np.column_stack([linear, shift])


def invert(matrix: FloatArray) -> FloatArray:
    """The inverse map. Raises numpy.linalg.LinAlgError when singular."""
    inverse = np.linalg.inv(matrix[:, :2])
    return np.column_stack([inverse, -inverse @ matrix[:, 2]])


def angle_deg(matrix: FloatArray) -> float:
    """Rotation part in degrees, −180..180."""
    return math.degrees(math.atan2(matrix[1, 0] - matrix[0, 1], matrix[0, 0] + matrix[1, 1]))


def nearest_turn_deg(matrix: FloatArray) -> int:
    """The quarter turn (0, 90, 180, 270; clockwise as seen) nearest to a map's rotation."""
    return round(angle_deg(matrix) / 90.0) * 90 % 360


def scale_of(matrix: FloatArray) -> float:
    """Mean scale: square root of the area factor."""
    return math.sqrt(abs(float(np.linalg.det(matrix[:, :2]))))


def corners(width_px: float, height_px: float) -> FloatArray:
    """The four outer corners of a pixel grid, shape (4, 2), clockwise from top left (edges at −0.5)."""
    x1, y1 = width_px - 0.5, height_px - 0.5
    return np.array([[-0.5, -0.5], [x1, -0.5], [x1, y1], [-0.5, y1]])


def mm_from_px(length_px: float, ppi: float) -> float:
    """Length in mm of `length_px` pixels."""
    return length_px * MM_PER_INCH / ppi


def px_from_mm(length_mm: float, ppi: float) -> float:
    """Length in pixels of `length_mm`."""
    return length_mm * ppi / MM_PER_INCH


def rows_of(matrix: FloatArray) -> Affine:
    """A map of shape (2, 3) as rows of plain numbers, as records hold it."""
    (a, b, c), (d, e, f) = matrix.tolist()
    return (a, b, c), (d, e, f)
