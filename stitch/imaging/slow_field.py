"""A field that changes slowly over a sheet, grown from the cells that agree with it.

A polynomial of the second degree, then what is left of it smoothed by normalised convolution (Knutsson and Westin, CVPR
1993), and again the cells that agree.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging.colour import Float32Array

ROUNDS = 8
LEAST_CELLS = 6
SMOOTH_MM = 15.0
PRIOR = 0.02  # share of agreeing cells around at which the field leans half on the polynomial
SCATTERS = 4.0  # a cell agrees within so many times the usual scatter
BORDER = cv2.BORDER_REFLECT_101

Mask = NDArray[np.bool_]


def grown(
    values: Float32Array, start: Mask, allowed: Mask, cell_mm: float, *, least: float, most: float
) -> tuple[Mask, Float32Array]:
    """Cells that agree with the field, and the field at every cell.

    values : (rows, columns, n). start : cells to begin with. allowed : cells that may agree. least, most : bounds of
        how far a cell may be off.
    """
    agreeing, field = start, values
    for _ in range(ROUNDS):
        if agreeing.sum() < LEAST_CELLS:
            return agreeing, field
        field = slow_field(values, agreeing, cell_mm)
        off = values - field
        tolerance = np.clip(SCATTERS * scatter(off[agreeing].mean(axis=1)), least, most)
        agreeing = allowed & (np.abs(off).max(axis=2) < tolerance)
    return agreeing, field


def scatter(values: NDArray[Any]) -> float:
    """Standard deviation about zero, by the median."""
    return float(1.4826 * np.median(np.abs(values)))


def slow_field(values: Float32Array, known: Mask, cell_mm: float) -> Float32Array:
    """The field at every cell, (rows, columns, n), from the known ones."""
    rows, columns = values.shape[:2]
    y, x = np.meshgrid(np.linspace(-1, 1, rows), np.linspace(-1, 1, columns), indexing="ij")
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)
    steady = np.diag([0.0, *[1e-3] * 2, *[1e-2] * 3]) * float(known.sum())
    at = terms[known]
    slow = terms @ np.linalg.solve(at.T @ at + steady, at.T @ values[known].astype(np.float64))
    weight = known.astype(np.float32)
    left = (values - slow.astype(np.float32)) * weight[..., None]
    sigma = SMOOTH_MM / cell_mm
    border = BORDER if min(rows, columns) > 4 * sigma else cv2.BORDER_REPLICATE
    share = cv2.GaussianBlur(weight, (0, 0), sigma, borderType=border)
    smooth = cv2.GaussianBlur(left, (0, 0), sigma, borderType=border) / (share + PRIOR)[..., None]
    return np.asarray(slow + smooth, np.float32)
