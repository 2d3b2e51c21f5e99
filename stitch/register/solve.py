"""One global least-squares solve for the placement of all scans together.

Unknowns are a turn and a shift for each scan and, where pieces lie turned by a quarter against others, two for the bed
they were all scanned on: how much longer its px are across than along, how far its axes are from a right angle. Both
turn into their opposite with a quarter turn and are the same after a half turn; what small turns show is judged in
`felt`. Scale is known from the scanning resolution. Every pair's points pull on both scans at once, so errors do not
accumulate around a grid (Preibisch, Saalfeld and Tomancak, Bioinformatics 25(11), 2009, on solving globally). Robust by
re-weighting (Geman and McClure, Bull. Int. Stat. Inst. 52, 1987).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import FloatArray, angle_deg, apply, invert
from stitch.model.bed import Bed, BedSource
from stitch.model.geometry import Size

ROUNDS = 12
FIRST_ROUNDS = 3
ROBUST_WIDTH = 2.5
BED_PRIOR = 0.003  # standard deviation expected of a bed's two figures before anything is seen
LEAST_PULL = 0.01  # spread with which the prior pulls at least: patches that agree exactly must not switch it off
BOTH_FIGURES = (0, 1)
BED_PARTS = np.array([[[0.5, 0.0], [0.0, -0.5]], [[0.0, 0.5], [0.5, 0.0]]])  # ∂linear / ∂(anisotropy, skew), near 0


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """Points of scan a and scan b that show the same place, with the covariance of their difference (canvas px²).

    Covariances are true up to one factor common to all points, which the solve finds; stated ones mean what they say,
    and coarse ones are bounds: they weigh as much as they say, and tell nothing of the factor where finer points do.
    """

    scan_a: str
    scan_b: str
    points_a: FloatArray  # (n, 2)
    points_b: FloatArray  # (n, 2)
    covariance_px2: FloatArray  # (n, 2, 2)
    is_stated: bool = False
    is_coarse: bool = False  # found on small copies


@dataclass(frozen=True, slots=True)
class Pose:
    """A scan's placement: canvas = scale · R(angle) · bed · (p − centre) + (x, y)."""

    angle_rad: float
    x_px: float
    y_px: float
    scale: float
    centre_px: tuple[float, float]
    bed: Bed = field(default_factory=Bed)

    @property
    def rotation(self) -> FloatArray:
        """scale · R(angle), (2, 2)."""
        c, s = np.cos(self.angle_rad) * self.scale, np.sin(self.angle_rad) * self.scale
        return np.array([[c, -s], [s, c]])

    def matrix(self) -> FloatArray:
        """canvas_from_scan, (2, 3)."""
        linear = self.rotation @ self.bed.linear
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

    `covariance` is that of (turn, x, y) of every scan but the anchor, three rows from `column[name]` on, and in the
    last rows of the bed's `figures` (0 log anisotropy, 1 shear) that were solved for.
    """

    poses: Mapping[str, Pose]
    sigma_px: Mapping[str, float]
    column: Mapping[str, int] = field(default_factory=dict)
    covariance: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))
    figures: tuple[int, ...] = ()
    spread: float = 1.0  # the factor of the points' standard deviations

    def joint_sigma_px(self, scan_a: str, scan_b: str, points_a: FloatArray) -> float:
        """Largest standard deviation, in any direction, of how far apart two scans put points (n, 2) of scan a."""
        return float(np.sqrt(np.linalg.eigvalsh(self.spread_px2(scan_a, scan_b, points_a))[:, -1].max(initial=0.0)))

    def rms_sigma_px(self, scan_a: str, scan_b: str, points_a: FloatArray) -> float:
        """Expected rms length of how far apart two scans put points (n, 2) of scan a; 0 without points."""
        spread = self.spread_px2(scan_a, scan_b, points_a)
        return float(np.sqrt(np.trace(spread, axis1=1, axis2=2).mean())) if len(spread) else 0.0

    def spread_px2(self, scan_a: str, scan_b: str, points_a: FloatArray) -> FloatArray:
        """Covariance (n, 2, 2), canvas px², of the distance vectors between where two scans put points (n, 2) of a."""
        a, b = self.poses[scan_a], self.poses[scan_b]
        there = apply(invert(b.matrix()), apply(a.matrix(), points_a))
        own, slopes = [], []
        for name, pose, where, sign in ((scan_a, a, points_a, 1.0), (scan_b, b, there, -1.0)):
            if name in self.column:
                own.append(self.column[name] + np.arange(3))
                slopes.append(sign * pose_jacobian(pose, where))
        if self.figures:
            own.append(np.arange(3 * len(self.column), len(self.covariance)))
            slopes.append((bed_jacobian(a, points_a) - bed_jacobian(b, there))[:, :, self.figures])
        if not own:
            return np.zeros((len(points_a), 2, 2))
        which, rows = np.concatenate(own), np.concatenate(slopes, axis=2)
        return np.asarray(rows @ self.covariance[np.ix_(which, which)] @ rows.swapaxes(1, 2))


def solve(
    poses: Mapping[str, Pose], points: Sequence[Points], anchor: str, figures: tuple[int, ...] | None = None
) -> Solution:
    """Improve `poses` from corresponding points; `anchor` keeps its pose, the others move.

    `figures` : those of the bed's figures (0 anisotropy, 1 skew) that are solved for; when None both, where some points
    link scans that lie a quarter turn apart and the bed is not known from elsewhere, else neither. Raises
    numpy.linalg.LinAlgError when a scan has no points at all.
    """
    if figures is None:
        figures = BOTH_FIGURES if shows_bed(poses, points) else ()
    order = [name for name in poses if name != anchor]
    column = {name: 3 * i for i, name in enumerate(order)}
    current = dict(poses)
    precisions = precisions_of(points)
    spread = 1.0
    for round_number in range(ROUNDS):
        spread = _spread(current, points, precisions, 4.0 if round_number < FIRST_ROUNDS else 0.0)
        normal, right = normal_equations(current, points, precisions, column, spread, figures)
        step = np.linalg.solve(normal, right)
        current = {n: moved(p, step[column[n] : column[n] + 3]) if n in column else p for n, p in current.items()}
        if figures:
            bed = reshaped(current[anchor].bed, figures, step[-len(figures) :])
            current = {n: replace(p, bed=bed) for n, p in current.items()}
        if round_number > FIRST_ROUNDS and np.abs(step).max() < 1e-7:
            break
    covariance: FloatArray = np.linalg.inv(normal).astype(np.float64) * spread**2
    if figures:
        known = np.sqrt(np.maximum(np.diag(covariance)[-len(figures) :], 0.0))
        bed = measured(current[anchor].bed, figures, known, BedSource.TURNED_PIECES)
        current = {n: replace(p, bed=bed) for n, p in current.items()}
    sigma = {name: _corner_sigma(covariance, column.get(name), current[name]) for name in poses}
    return Solution(current, sigma, column, covariance, figures, spread)


def shows_bed(poses: Mapping[str, Pose], points: Sequence[Points]) -> bool:
    """Whether some points link scans a quarter turn apart, and the bed's figures are theirs to find."""
    source = next(iter(poses.values())).bed.source
    if source not in (BedSource.UNKNOWN, BedSource.TURNED_PIECES):
        return False
    quarter = {name: round(angle_deg(pose.matrix()) / 90) % 2 for name, pose in poses.items()}
    return any(quarter[p.scan_a] != quarter[p.scan_b] for p in points)


def residuals(poses: Mapping[str, Pose], points: Points) -> FloatArray:
    """Distance vectors between the two maps at each point, canvas px, (n, 2)."""
    a, b = poses[points.scan_a].matrix(), poses[points.scan_b].matrix()
    return apply(a, points.points_a) - apply(b, points.points_b)


def precisions_of(points: Sequence[Points]) -> list[FloatArray]:
    """The inverse covariances of each pair's points, (n, 2, 2)."""
    return [np.asarray(np.linalg.inv(p.covariance_px2), np.float64) for p in points]


def weighted(
    poses: Mapping[str, Pose], points: Points, precision: FloatArray, spread: float
) -> tuple[FloatArray, FloatArray]:
    """Distance vectors (n, 2), canvas px, and weights (n, 2, 2) that leave out what is far off."""
    off, length = _whitened(poses, points, precision)
    width = ROBUST_WIDTH * (max(1.0, spread) if points.is_stated else spread)
    robust = 1 / (1 + (length / width) ** 2) ** 2
    return off, precision * robust[:, None, None] * (spread**2 if points.is_stated else 1.0)


def _whitened(poses: Mapping[str, Pose], points: Points, precision: FloatArray) -> tuple[FloatArray, FloatArray]:
    off = residuals(poses, points)
    return off, np.sqrt(np.maximum(((precision @ off[..., None])[..., 0] * off).sum(axis=1), 0))


def _spread(
    poses: Mapping[str, Pose], points: Sequence[Points], precisions: Sequence[FloatArray], least: float
) -> float:
    """Robust scale of the whitened residuals (1.0 when the covariances tell the truth)."""
    both = zip(points, precisions, strict=True)
    telling = [(p, precision) for p, precision in both if not p.is_stated and len(p.points_a)]
    telling = [(p, precision) for p, precision in telling if not p.is_coarse] or telling
    if not telling:
        return max(1.0, least)
    lengths = np.concatenate([_whitened(poses, p, precision)[1] for p, precision in telling])
    return max(float(np.median(lengths)) / 1.1774, least, 1e-6)  # median length of a 2-D unit normal: 1.1774


def normal_equations(
    poses: Mapping[str, Pose],
    points: Sequence[Points],
    precisions: Sequence[FloatArray],
    column: Mapping[str, int],
    spread: float,
    figures: tuple[int, ...],
) -> tuple[FloatArray, FloatArray]:
    """Matrix and right-hand side of a step of all unknowns, the bed's figures with what is expected of them."""
    count = 3 * len(column) + len(figures)
    normal, right = np.zeros((count, count)), np.zeros(count)
    if figures:
        places = list(range(3 * len(column), count))
        pull = (max(spread, LEAST_PULL) / BED_PRIOR) ** 2
        normal[places, places] += pull
        right[places] -= figures_of(next(iter(poses.values())).bed)[list(figures)] * pull
    for pair, precision in zip(points, precisions, strict=True):
        place, part, pulled = pair_equations(poses, pair, precision, column, spread, figures)
        normal[np.ix_(place, place)] += part
        right[place] += pulled
    return normal, right


def pair_equations(
    poses: Mapping[str, Pose],
    pair: Points,
    precision: FloatArray,
    column: Mapping[str, int],
    spread: float,
    figures: tuple[int, ...],
) -> tuple[NDArray[np.intp], FloatArray, FloatArray]:
    """One pair's share of the normal equations: the unknowns it speaks of, their matrix and right-hand side."""
    off, weight = weighted(poses, pair, precision, spread)
    sides, places = [np.zeros((len(off), 2, 0))], [np.zeros(0, np.intp)]
    for name, where, sign in ((pair.scan_a, pair.points_a, 1.0), (pair.scan_b, pair.points_b, -1.0)):
        if name in column:
            sides.append(sign * pose_jacobian(poses[name], where))
            places.append(column[name] + np.arange(3))
    if figures:
        a, b = poses[pair.scan_a], poses[pair.scan_b]
        sides.append((bed_jacobian(a, pair.points_a) - bed_jacobian(b, pair.points_b))[:, :, figures])
        places.append(3 * len(column) + np.arange(len(figures)))
    jacobian, place = np.concatenate(sides, axis=2), np.concatenate(places)
    pulling = (weight @ jacobian).reshape(-1, len(place))
    return place, pulling.T @ jacobian.reshape(-1, len(place)), -pulling.T @ off.ravel()


def pose_jacobian(pose: Pose, points: FloatArray) -> FloatArray:
    """Derivative of canvas px by (angle, x, y), (n, 2, 3)."""
    arm = (points - np.array(pose.centre_px)) @ pose.matrix()[:, :2].T
    out = np.zeros((len(points), 2, 3))
    out[:, 0, 0], out[:, 1, 0] = -arm[:, 1], arm[:, 0]
    out[:, 0, 1] = out[:, 1, 2] = 1.0
    return out


def bed_jacobian(pose: Pose, points: FloatArray) -> FloatArray:
    """Derivative of canvas px by the bed's (log anisotropy, shear), (n, 2, 2)."""
    arm = points - np.array(pose.centre_px)
    return np.einsum("ij,pjk,nk->nip", pose.rotation, BED_PARTS, arm)


def moved(pose: Pose, step: NDArray[Any]) -> Pose:
    """The pose after a step of (angle, x, y)."""
    turn, x, y = (float(v) for v in step)
    return replace(pose, angle_rad=pose.angle_rad + turn, x_px=pose.x_px + x, y_px=pose.y_px + y)


def figures_of(bed: Bed) -> FloatArray:
    """The bed's (log anisotropy, shear), (2,)."""
    return np.array([np.log1p(bed.anisotropy), np.tan(np.radians(bed.skew_deg))])


def reshaped(bed: Bed, figures: tuple[int, ...], step: NDArray[Any]) -> Bed:
    """The bed after a step of some of (log anisotropy, shear)."""
    values = figures_of(bed)
    values[list(figures)] += step
    return replace(bed, anisotropy=float(np.expm1(values[0])), skew_deg=float(np.degrees(np.arctan(values[1]))))


def measured(bed: Bed, figures: tuple[int, ...], known: FloatArray, source: BedSource) -> Bed:
    """The bed with the standard errors `known` of some of its figures."""
    sigma = np.zeros(2)
    sigma[list(figures)] = known
    return replace(
        bed,
        source=source,
        sigma_anisotropy=float(sigma[0]),
        sigma_skew_deg=float(np.degrees(sigma[1])),
    )


def _corner_sigma(covariance: NDArray[Any], column: int | None, pose: Pose) -> float:
    if column is None:
        return 0.0
    block = covariance[column : column + 3, column : column + 3]
    arm = pose.scale * float(np.hypot(*pose.centre_px))
    return float(np.sqrt(max(0.0, (block[1, 1] + block[2, 2]) / 2 + block[0, 0] * arm**2 / 2)))
