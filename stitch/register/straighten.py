"""Local corrections: what no linear map of a whole scan explains, as smooth shifts solved for all scans at once.

A stepping carriage shifts whole lines of a scan, so that every scan has shifts that change along the pass only (uniform
cubic B-spline); a sheet that lifts at an edge shifts places, so that it has a lattice of shifts, too (tensor product of
the same splines, on wider knots where there are many scans; the two add up to one lattice on the finer ones). Both are
held smooth and small, since only differences between scans are seen: the shift is shared between the two scans of an
overlap, and fades to nothing where no overlap is near (bending and amplitude priors as in Rueckert et al., IEEE TMI
18(8), 1999). The placements move along; the bed's shape stays as the rigid solve found it, because shifts along the
pass could take its place. Robust by re-weighting as in `solve`; normal equations put together pair by pair, solved by a
dense Cholesky factor.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import FloatArray, apply, invert, px_from_mm
from stitch.imaging.placed_map import PlacedMap, Shifts, coefficient_count, spline_weights, with_finer_rows
from stitch.model.geometry import Size
from stitch.register.solve import (
    ROBUST_WIDTH,
    Points,
    Pose,
    moved,
    pose_jacobian,
)

NEAR_KNOTS = 2
MOST_UNKNOWNS = 4500  # of all scans together: their factor then takes 160 MB
BLOCK_UNKNOWNS = 256
ROWS_AT_ONCE = 256  # vectors whose variance is worked out together: each takes as much memory as all unknowns
WIDER = (1.0, 1.25, 1.5, 1.75, 2.0, 2.5, 3.0, 3.5, 4.0, 5.0, 6.0, 7.0, 8.0)  # than KNOT_MM, the lattice's knots
KNOT_MM = (10.0, 7.0)  # across and along the pass: steppers wobble over 30 mm and more
LEAST_SPREAD = 1.0  # of whitened residuals: data better than their noise must not outvote a rim that bends more
MOST_SLOPE = 0.4  # change of the shift along a px: far from 1, where the map would fold


Trust = Callable[[FloatArray], FloatArray]  # factors of equations, by their residuals in robust widths


def lenient(off: FloatArray) -> FloatArray:
    """Cauchy's weights: a group that agrees can still move the solution, wherever it starts from."""
    return np.asarray(1 / np.sqrt(1 + off**2))


def redescending(off: FloatArray) -> FloatArray:
    """Geman and McClure's: what is far off has no say."""
    return np.asarray(1 / (1 + off**2))


ROUNDS: tuple[Trust, ...] = (lenient, redescending)  # in the first a rim that is far off is found again
GUIDING_ROUNDS = ROUNDS[:1]  # enough to tell where patches are to be looked for


@dataclass(frozen=True, slots=True)
class Stiffness:
    """Standard deviations expected, in scan px at the knots: of bending (second differences) and of the shifts."""

    name: str
    lattice_bend_px: float
    lattice_px: float
    pass_bend_px: float
    pass_px: float


STIFFNESSES = (
    Stiffness("stiff", 0.1, 0.5, 0.3, 1.0),
    Stiffness("flexible", 1.0, 5.0, 1.5, 4.0),
)  # the stiffest first


@dataclass(frozen=True, slots=True, eq=False)
class Straightened:
    """Placements and local corrections of all scans.

    `variance_px2` holds, for every pair asked about, how uncertain the distance between its two scans is at each of the
    points asked: variance of its length, (n,), canvas px².
    """

    poses: Mapping[str, Pose]
    shifts: Mapping[str, Shifts]
    variance_px2: Mapping[tuple[str, str], FloatArray] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class _Part:
    """One scan's unknowns: its lattice from column `first` on, then its shifts along the pass, then its pose.

    The knots of the lattice lie `lines_a_row` times as far apart along the pass as those of the shifts along it.
    """

    size: Size
    step_px: FloatArray  # (2,) across, and along the pass for the shifts along it
    lines_a_row: int
    first: int
    is_anchor: bool
    columns: int = field(init=False)
    rows: int = field(init=False)
    lines: int = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "columns", coefficient_count(float(self.step_px[0]), self.size.width_px))
        object.__setattr__(self, "rows", coefficient_count(self.row_step_px, self.size.height_px))
        object.__setattr__(self, "lines", coefficient_count(float(self.step_px[1]), self.size.height_px))

    @property
    def row_step_px(self) -> float:
        return self.lines_a_row * float(self.step_px[1])

    @property
    def line_first(self) -> int:
        return self.first + 2 * self.rows * self.columns

    @property
    def pose_first(self) -> int:
        return self.line_first + 2 * self.lines

    @property
    def end(self) -> int:
        return self.pose_first + (0 if self.is_anchor else 3)

    def shifts(self, solution: FloatArray) -> Shifts:
        lattice = solution[self.first : self.line_first].reshape(self.rows, self.columns, 2)
        line = solution[self.line_first : self.pose_first].reshape(self.lines, 1, 2)
        return Shifts(self.step_px, with_finer_rows(lattice, self.lines_a_row, self.lines) + line, self.size)

    def spline_entries(self, points: FloatArray) -> tuple[NDArray[np.intp], FloatArray]:
        """Columns (n, 20) of the x unknowns that decide the shift at points (n, 2), and their weights.

        The y unknowns are one column further on.
        """
        column, across = spline_weights(points[:, 0], float(self.step_px[0]), self.size.width_px)
        row, down = spline_weights(points[:, 1], self.row_step_px, self.size.height_px)
        line, along = spline_weights(points[:, 1], float(self.step_px[1]), self.size.height_px)
        four = np.arange(4)
        rows, columns = row[:, None] + four, column[:, None] + four
        lattice = self.first + 2 * (rows[:, :, None] * self.columns + columns[:, None, :])
        weights = down[:, :, None] * across[:, None, :]
        lines = self.line_first + 2 * (line[:, None] + four)
        count = len(points)
        return (
            np.concatenate([lattice.reshape(count, 16), lines], axis=1),
            np.concatenate([weights.reshape(count, 16), along], axis=1),
        )


def straighten(
    poses: Mapping[str, Pose],
    shifts: Mapping[str, Shifts | None],
    sizes: Mapping[str, Size],
    points: Sequence[Points],
    anchor: str,
    ppi: float,
    stiffness: Stiffness,
    *,
    rounds: Sequence[Trust] = ROUNDS,
    asked: Sequence[Points] = (),
    pool: Executor | None = None,
) -> Straightened:
    """Solve placements and local corrections together, starting from those given.

    Parameters
    ----------
    points : corresponding points in px of the scans as they are.
    ppi : resolution of the frame the poses map into.
    rounds : how far patches are trusted in one solve after another.
    asked : places (their covariance is not looked at) where the result's own uncertainty is wanted.
    pool : where that is worked out for several at once.
    """
    parts, total = _parts(poses, sizes, anchor, ppi)
    normal_prior = _prior(parts, stiffness)
    used = _near_evidence(parts, points, total)
    current = Straightened(dict(poses), {n: s for n, s in shifts.items() if s is not None})
    system: _System | None = None
    for trust in rounds:
        system = None  # its factors go before the next ones are made: they are what takes most memory
        system = _system(current, parts, points, normal_prior, used, sizes, trust)
        solution = system.solution(total)
        before, current = current, _updated(current, parts, solution)
    if not asked or system is None:
        return current
    placed = _placed(before, sizes)
    rows = {(p.scan_a, p.scan_b): _Pair(p, before, placed).derivatives(parts, total) for p in asked}
    together = pool.map(system.variance, rows.values()) if pool else map(system.variance, rows.values())
    return replace(current, variance_px2=dict(zip(rows, together, strict=True)))


def lattice_wider(poses: Mapping[str, Pose], sizes: Mapping[str, Size], anchor: str, ppi: float) -> float:
    """How much wider than KNOT_MM the knots across the pass are that serve so many scans of such sizes."""
    parts, _ = _parts(poses, sizes, anchor, ppi)
    return float(parts[anchor].step_px[0]) * poses[anchor].scale / px_from_mm(KNOT_MM[0], ppi)


def folds(shifts: Shifts) -> bool:
    """Whether the correction changes so fast anywhere that it is no correction any more."""
    slopes = [np.diff(shifts.coefficients, axis=1 - k) / shifts.step_px[k] for k in (0, 1)]
    return max(float(np.abs(slope).max(initial=0.0)) for slope in slopes) > MOST_SLOPE


def _parts(
    poses: Mapping[str, Pose], sizes: Mapping[str, Size], anchor: str, ppi: float
) -> tuple[dict[str, _Part], int]:
    """Every scan's unknowns, on knots wide enough to keep their number within what can be solved, and how many."""
    parts: dict[str, _Part] = {}
    for wider in WIDER:
        end = 0
        for name, pose in poses.items():
            step = np.array([px_from_mm(mm, ppi) / pose.scale for mm in KNOT_MM]) * (wider, 1.0)
            parts[name] = _Part(sizes[name], step, max(1, round(wider)), end, name == anchor)
            end = parts[name].end
        if end <= MOST_UNKNOWNS:
            break
    return parts, end


@dataclass(frozen=True, slots=True, eq=False)
class _System:
    """Factorised normal equations of the unknowns in use (Cholesky, dense: a few thousand unknowns fill in anyway)."""

    factor: FloatArray  # lower triangle; what lies above it is not looked at
    right: FloatArray
    used: NDArray[np.intp]

    def solution(self, total: int) -> FloatArray:
        from scipy.linalg import cho_solve

        found = np.zeros(total)
        found[self.used] = cho_solve((self.factor, True), self.right, check_finite=False)
        return found

    def variance(self, derivatives: Any) -> FloatArray:
        """Variance of the length of n vectors, from their derivatives (2 n, total) by the unknowns."""
        sparse = derivatives.tocsc()[:, self.used].tocsr()
        found = np.empty(sparse.shape[0])
        for start in range(0, len(found), ROWS_AT_ONCE):
            solved = self._forward(sparse[start : start + ROWS_AT_ONCE].toarray().T)
            found[start : start + ROWS_AT_ONCE] = np.square(solved).sum(axis=0)
        return found.reshape(-1, 2).sum(axis=1)

    def _forward(self, right: FloatArray) -> FloatArray:
        """Forward substitution, block by block: products of matrices let other threads work, LAPACK's own does not."""
        from scipy.linalg import solve_triangular

        solved = np.zeros(right.shape)
        for start in range(0, len(right), BLOCK_UNKNOWNS):
            own = slice(start, start + BLOCK_UNKNOWNS)
            left = right[own] - self.factor[own, :start] @ solved[:start]
            solved[own] = solve_triangular(self.factor[own, own], left, lower=True, check_finite=False)
        return solved


def _placed(current: Straightened, sizes: Mapping[str, Size]) -> dict[str, PlacedMap]:
    return {n: PlacedMap(p.matrix(), sizes[n], current.shifts.get(n)) for n, p in current.poses.items()}


def _system(
    current: Straightened,
    parts: Mapping[str, _Part],
    points: Sequence[Points],
    normal_prior: Any,
    used: NDArray[np.intp],
    sizes: Mapping[str, Size],
    trust: Trust,
) -> _System:
    from scipy.linalg import cho_factor

    placed = _placed(current, sizes)
    pairs = [_Pair(pair, current, placed) for pair in points]
    lengths = np.concatenate([pair.lengths for pair in pairs])
    spread = max(float(np.median(lengths)) / 1.1774, LEAST_SPREAD)
    normal = np.asarray(normal_prior[used][:, used].todense())
    right = np.zeros(len(used))
    for pair in pairs:
        robust = trust(pair.lengths / (ROBUST_WIDTH * spread))
        matrix, target = pair.equations(parts, robust / spread, normal_prior.shape[0])
        matrix = matrix[:, used]
        own = np.flatnonzero(matrix.getnnz(axis=0))
        matrix = matrix[:, own]
        normal[np.ix_(own, own)] += (matrix.T @ matrix).toarray()
        right[own] += matrix.T @ target
    # Symmetric, so that what LAPACK takes for the lower triangle of its transpose needs no copy.
    factor, _ = cho_factor(normal.T, lower=True, overwrite_a=True, check_finite=False)
    return _System(factor, right, used)


def _near_evidence(parts: Mapping[str, _Part], points: Sequence[Points], total: int) -> NDArray[np.intp]:
    """The unknowns that are solved for: shifts further than NEAR_KNOTS from every point stay zero."""
    chosen = np.ones(total, bool)
    for name, part in parts.items():
        seen = [p.points_a for p in points if p.scan_a == name] + [p.points_b for p in points if p.scan_b == name]
        where = np.concatenate([*seen, np.zeros((0, 2))])
        column, _ = spline_weights(where[:, 0], float(part.step_px[0]), part.size.width_px)
        row, _ = spline_weights(where[:, 1], part.row_step_px, part.size.height_px)
        line, _ = spline_weights(where[:, 1], float(part.step_px[1]), part.size.height_px)
        near, near_lines = np.zeros((part.rows, part.columns), bool), np.zeros(part.lines, bool)
        reach = np.arange(-NEAR_KNOTS, 4 + NEAR_KNOTS)
        rows = (row[:, None, None] + reach[:, None]).clip(0, part.rows - 1)
        near[rows, (column[:, None, None] + reach).clip(0, part.columns - 1)] = True
        near_lines[(line[:, None] + reach).clip(0, part.lines - 1)] = True
        chosen[part.first : part.line_first] = np.repeat(near.ravel(), 2)
        chosen[part.line_first : part.pose_first] = np.repeat(near_lines, 2)
    return np.flatnonzero(chosen)


def _updated(current: Straightened, parts: Mapping[str, _Part], solution: FloatArray) -> Straightened:
    poses = {
        name: pose if parts[name].is_anchor else moved(pose, solution[parts[name].pose_first : parts[name].end])
        for name, pose in current.poses.items()
    }
    return Straightened(poses, {name: part.shifts(solution) for name, part in parts.items()})


class _Pair:
    """The points of one pair under the current maps."""

    def __init__(self, points: Points, current: Straightened, placed: Mapping[str, PlacedMap]) -> None:
        self._names = points.scan_a, points.scan_b
        self._poses = [current.poses[name] for name in self._names]
        raw = points.points_a, points.points_b
        maps = [pose.matrix() for pose in self._poses]
        a, b = (placed[name].canvas_from_scan(p) for name, p in zip(self._names, raw, strict=True))
        off, middle = a - b, (a + b) / 2
        # Shifts are taken where both scans agree the place is: at places with their own noise in them both scans could
        # lessen that noise by stretching the overlap together.
        self._straight = [apply(invert(matrix), middle) for matrix in maps]
        self._unbent = apply(maps[0], raw[0]) - apply(maps[1], raw[1])
        self._whiten = np.linalg.cholesky(np.linalg.inv(points.covariance_px2)).transpose(0, 2, 1)
        self.lengths = np.hypot(*np.einsum("nij,nj->ni", self._whiten, off).T)

    def derivatives(self, parts: Mapping[str, _Part], total: int) -> Any:
        """Of the distance vectors, canvas px, by all unknowns: sparse (2 n, total)."""
        plain = np.broadcast_to(np.eye(2), self._whiten.shape)
        return self._rows(parts, plain, total)

    def equations(self, parts: Mapping[str, _Part], weight: FloatArray, total: int) -> tuple[Any, FloatArray]:
        """Sparse rows (2 n, total) and right-hand sides: the shifts as such, poses as steps."""
        whiten = self._whiten * weight[:, None, None]
        return self._rows(parts, whiten, total), -np.einsum("nij,nj->ni", whiten, self._unbent).ravel()

    def _rows(self, parts: Mapping[str, _Part], whiten: FloatArray, total: int) -> Any:
        from scipy.sparse import coo_matrix

        count = len(whiten)
        blocks: list[tuple[NDArray[Any], NDArray[Any]]] = []  # columns (n, k), values (n, 2, k)
        for name, pose, straight, sign in zip(self._names, self._poses, self._straight, (1.0, -1.0), strict=True):
            part = parts[name]
            columns, weights = part.spline_entries(straight)
            linear = -sign * np.einsum("nij,jk->nik", whiten, pose.matrix()[:, :2])
            for axis in (0, 1):
                blocks.append((columns + axis, linear[:, :, axis, None] * weights[:, None, :]))
            if not part.is_anchor:
                jacobian = sign * np.einsum("nij,njk->nik", whiten, pose_jacobian(pose, straight))
                blocks.append((np.tile(np.arange(part.pose_first, part.end), (count, 1)), jacobian))
        columns = np.concatenate([np.repeat(c[:, None, :], 2, axis=1) for c, _ in blocks], axis=2)
        values = np.concatenate([v for _, v in blocks], axis=2)
        rows = np.broadcast_to(np.arange(2 * count).reshape(count, 2, 1), columns.shape)
        return coo_matrix((values.ravel(), (rows.ravel(), columns.ravel())), shape=(2 * count, total)).tocsr()


def _prior(parts: Mapping[str, _Part], stiffness: Stiffness) -> Any:
    """Normal matrix of the priors: small, smooth shifts; poses hardly held."""
    from scipy.sparse import block_diag, diags, eye, kron

    blocks = []
    for part in parts.values():
        over_rows, over_columns = (_bending(n) for n in (part.rows, part.columns))
        flat_rows, flat_columns = (eye(n) for n in (part.rows, part.columns))
        bend = kron(over_rows, flat_columns) + kron(flat_rows, over_columns)
        lattice = bend / stiffness.lattice_bend_px**2 + eye(part.rows * part.columns) / stiffness.lattice_px**2
        line = _bending(part.lines) / stiffness.pass_bend_px**2 + eye(part.lines) / stiffness.pass_px**2
        blocks += [kron(lattice, eye(2)), kron(line, eye(2))]
        if not part.is_anchor:
            blocks.append(diags(np.array([1e-6, 1e-9, 1e-9])))
    return block_diag(blocks, format="csr")


def _bending(count: int) -> Any:
    from scipy.sparse import diags

    second = diags(
        [np.ones(count - 2), -2 * np.ones(count - 2), np.ones(count - 2)], [0, 1, 2], shape=(count - 2, count)
    )
    return second.T @ second
