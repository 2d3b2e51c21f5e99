"""One global least-squares solve for the rigid placement of all scans together.

Unknowns are a turn and a shift for each scan; scale is known from the scanning resolution. Every pair's points pull on
both scans at once, so errors do not accumulate around a grid (Preibisch, Saalfeld and Tomancak, Bioinformatics 25(11),
2009, on solving globally). Robust by re-weighting (Geman and McClure, Bull. Int. Stat. Inst. 52, 1987).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import FloatArray, apply, invert
from stitch.model.geometry import Size

ROUNDS = 12
FIRST_ROUNDS = 3
ROBUST_WIDTH = 2.5


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """Points of scan a and scan b that show the same place, with the covariance of their difference (canvas px²)."""

    scan_a: str
    scan_b: str
    points_a: FloatArray  # (n, 2)
    points_b: FloatArray  # (n, 2)
    covariance_px2: FloatArray  # (n, 2, 2)


@dataclass(frozen=True, slots=True)
class Pose:
    """A scan's placement: canvas = scale · R(angle) · (p − centre) + (x, y)."""

    angle_rad: float
    x_px: float
    y_px: float
    scale: float
    centre_px: tuple[float, float]

    def matrix(self) -> FloatArray:
        """canvas_from_scan, (2, 3)."""
        c, s = np.cos(self.angle_rad) * self.scale, np.sin(self.angle_rad) * self.scale
        linear = np.array([[c, -s], [s, c]])
        shift = np.array([self.x_px, self.y_px]) - linear @ np.array(self.centre_px)
        return np.column_stack([linear, shift])

    @staticmethod
    def of_matrix(matrix: FloatArray, size: Size, scale: float) -> Pose:
        """The pose nearest to a map, for a scan of `size`."""
        centre = ((size.width_px - 1) / 2, (size.height_px - 1) / 2)
        angle = float(np.arctan2(matrix[1, 0] - matrix[0, 1], matrix[0, 0] + matrix[1, 1]))
        x, y = apply(matrix, np.array(centre))
        return Pose(angle, float(x), float(y), scale, centre)


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """Poses of all scans, and the standard deviation of each one's corners, in canvas px.

    `covariance` is that of (turn, x, y) of every scan but the anchor, three rows from `column[name]` on.
    """

    poses: Mapping[str, Pose]
    sigma_px: Mapping[str, float]
    column: Mapping[str, int] = field(default_factory=dict)
    covariance: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))

    def joint_sigma_px(self, scan_a: str, scan_b: str, points_a: FloatArray) -> float:
        """Largest standard deviation, in any direction, of how far apart two scans put points (n, 2) of scan a."""
        a, b = self.poses[scan_a], self.poses[scan_b]
        there = apply(invert(b.matrix()), apply(a.matrix(), points_a))
        rows = np.zeros((len(points_a), 2, len(self.covariance)))
        for name, pose, where, sign in ((scan_a, a, points_a, 1.0), (scan_b, b, there, -1.0)):
            if name in self.column:
                first = self.column[name]
                rows[:, :, first : first + 3] += sign * _jacobian(pose, where)
        spread = np.einsum("nik,kl,njl->nij", rows, self.covariance, rows)
        return float(np.sqrt(np.linalg.eigvalsh(spread)[:, -1].max(initial=0.0)))


def solve(poses: Mapping[str, Pose], points: Sequence[Points], anchor: str) -> Solution:
    """Improve `poses` from corresponding points; `anchor` keeps its pose, the others move.

    Raises numpy.linalg.LinAlgError when a scan has no points at all.
    """
    order = [name for name in poses if name != anchor]
    column = {name: 3 * i for i, name in enumerate(order)}
    current = dict(poses)
    spread = 1.0
    for round_number in range(ROUNDS):
        spread = _spread(current, points, 4.0 if round_number < FIRST_ROUNDS else 0.0)
        normal, right = _normal_equations(current, points, column, spread)
        step = np.linalg.solve(normal, right)
        current = {n: _moved(p, step[column[n] : column[n] + 3]) if n in column else p for n, p in current.items()}
        if round_number > FIRST_ROUNDS and np.abs(step).max() < 1e-7:
            break
    covariance: FloatArray = np.linalg.inv(normal).astype(np.float64) * spread**2
    sigma = {name: _corner_sigma(covariance, column.get(name), current[name]) for name in poses}
    return Solution(current, sigma, column, covariance)


def residuals(poses: Mapping[str, Pose], points: Points) -> FloatArray:
    """Distance vectors between the two maps at each point, canvas px, (n, 2)."""
    a, b = poses[points.scan_a].matrix(), poses[points.scan_b].matrix()
    return apply(a, points.points_a) - apply(b, points.points_b)


def _whitened(poses: Mapping[str, Pose], points: Points) -> tuple[FloatArray, FloatArray]:
    off = residuals(poses, points)
    weight = np.linalg.inv(points.covariance_px2)
    return off, np.sqrt(np.maximum(np.einsum("ni,nij,nj->n", off, weight, off), 0))


def _spread(poses: Mapping[str, Pose], points: Sequence[Points], least: float) -> float:
    """Robust scale of the whitened residuals (1.0 when the covariances tell the truth)."""
    if not points:
        return 1.0
    lengths = np.concatenate([_whitened(poses, p)[1] for p in points])
    return max(float(np.median(lengths)) / 1.1774, least, 1e-6)  # median length of a 2-D unit normal: 1.1774


def _normal_equations(
    poses: Mapping[str, Pose], points: Sequence[Points], column: Mapping[str, int], spread: float
) -> tuple[FloatArray, FloatArray]:
    count = 3 * len(column)
    normal, right = np.zeros((count, count)), np.zeros(count)
    for pair in points:
        off, length = _whitened(poses, pair)
        robust = 1 / (1 + (length / (ROBUST_WIDTH * spread)) ** 2) ** 2
        weight = np.linalg.inv(pair.covariance_px2) * robust[:, None, None]
        sides = []
        for name, where, sign in ((pair.scan_a, pair.points_a, 1.0), (pair.scan_b, pair.points_b, -1.0)):
            if name in column:
                sides.append((column[name], sign * _jacobian(poses[name], where)))
        for i, jacobian_i in sides:
            right[i : i + 3] -= np.einsum("nki,nkl,nl->i", jacobian_i, weight, off)
            for j, jacobian_j in sides:
                normal[i : i + 3, j : j + 3] += np.einsum("nki,nkl,nlj->ij", jacobian_i, weight, jacobian_j)
    return normal, right


def _jacobian(pose: Pose, points: FloatArray) -> FloatArray:
    """Derivative of canvas px by (angle, x, y), (n, 2, 3)."""
    arm = (points - np.array(pose.centre_px)) @ pose.matrix()[:, :2].T
    out = np.zeros((len(points), 2, 3))
    out[:, 0, 0], out[:, 1, 0] = -arm[:, 1], arm[:, 0]
    out[:, 0, 1] = out[:, 1, 2] = 1.0
    return out


def _moved(pose: Pose, step: NDArray[Any]) -> Pose:
    turn, x, y = (float(v) for v in step)
    return Pose(pose.angle_rad + turn, pose.x_px + x, pose.y_px + y, pose.scale, pose.centre_px)


def _corner_sigma(covariance: NDArray[Any], column: int | None, pose: Pose) -> float:
    if column is None:
        return 0.0
    block = covariance[column : column + 3, column : column + 3]
    arm = pose.scale * float(np.hypot(*pose.centre_px))
    return float(np.sqrt((block[1, 1] + block[2, 2]) / 2 + block[0, 0] * arm**2 / 2))
