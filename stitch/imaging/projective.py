"""3×3 projective maps as float64 arrays: points (x, y) with pixel centres at whole numbers."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def projective_between(to_points: FloatArray, from_points: FloatArray) -> FloatArray:
    """The map (3, 3) that takes four points (4, 2) to four others, no three of them on a line.

    Eight linear equations in the eight numbers of the map (Hartley & Zisserman, Multiple View Geometry, 2nd ed., 4.1).
    Coordinates are centred and scaled first. Raises numpy.linalg.LinAlgError when three points lie on a line.
    """
    to_unit, from_unit = _normalising(to_points), _normalising(from_points)
    rows, wanted = [], []
    for (u, v), (x, y) in zip(project(to_unit, to_points), project(from_unit, from_points), strict=True):
        rows += [[x, y, 1, 0, 0, 0, -u * x, -u * y], [0, 0, 0, x, y, 1, -v * x, -v * y]]
        wanted += [u, v]
    unit = np.append(np.linalg.solve(np.array(rows), np.array(wanted)), 1.0).reshape(3, 3)
    found = np.linalg.inv(to_unit) @ unit @ from_unit
    return np.asarray(found / found[2, 2])


def project(matrix: FloatArray, points: FloatArray) -> FloatArray:
    """Map points of shape (..., 2)."""
    mapped = points @ matrix[:, :2].T + matrix[:, 2]
    return np.asarray(mapped[..., :2] / mapped[..., 2:])


def _normalising(points: FloatArray) -> FloatArray:
    centre = points.mean(axis=0)
    scale = 1.0 / max(float(np.abs(points - centre).max()), 1e-12)
    return np.array([[scale, 0, -scale * centre[0]], [0, scale, -scale * centre[1]], [0, 0, 1.0]])
