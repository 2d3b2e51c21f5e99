"""What gains cannot explain: light that differs from place to place within a scan.

Three physical causes, solved for together over all overlaps: fall-off of the lamp and lens, one field fixed to the bed
and shared by all scans (a polynomial of second degree for each channel); the lamp warming up along the pass (a cubic
B-spline down each scan for each channel); darkening where the sheet lifts at a scan's border (a lattice of the same
splines for each scan, all channels alike, allowed to be large near the border only). Only differences between scans
are seen. A slope of the fall-off over the bed looks the same as scans of unequal gain, so slopes are held near zero
unless scans lie turned to each other or a scan of a white sheet shows them. Least squares on logarithms of light,
weighted by what a difference does to lightness, robust by Geman and McClure's weights; sparse normal equations, solved
directly.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import FloatArray, px_from_mm
from stitch.imaging.placed_map import coefficient_count, spline_weights
from stitch.model.geometry import Size
from stitch.model.tone import SlopeSource
from stitch.tone.solve import lightness_slope

KNOT_MM = 12.0
MOST_UNKNOWNS = 4500  # of all scans together: knots widen beyond
LIFT_SIGMA, LIFT_REACH_MM, REST_SIGMA = 0.15, 8.0, 0.002  # of log light at the border, and far inside
LIFT_BEND_SIGMA = 0.2
PASS_SIGMA, PASS_BEND_SIGMA = 0.02, 0.003
BED_SIGMA = 0.007  # of the bed's terms
SHOWN_SLOPE_SIGMA = 0.02  # of its slopes where turned scans show them and no sheet lifts: dark borders look like slopes
SLOPE_SIGMA = 0.001  # of its slopes where nothing shows them
NO_BED_SIGMA = 1e-6
CELL_WORTH = 0.25  # neighbouring cells share their errors
SCATTER_FLOOR_L = 0.1
ROBUST_WIDTH = 3.0
ROUNDS = 5
BED_TERMS = 5


@dataclass(frozen=True, slots=True, eq=False)
class LogPair:
    """One overlap: places in both scans, (n, 2) px, and light there after gain and offset, (n, 3)."""

    scan_a: str
    scan_b: str
    at_a_px: FloatArray
    at_b_px: FloatArray
    light_a: FloatArray
    light_b: FloatArray


@dataclass(frozen=True, eq=False)
class _Part:
    """One scan's unknowns from column `first` on: its lattice, if any, then a line down the pass for each channel."""

    size: Size
    step_px: float
    first: int
    has_lattice: bool
    columns: int = field(init=False)
    rows: int = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "columns", coefficient_count(self.step_px, self.size.width_px))
        object.__setattr__(self, "rows", coefficient_count(self.step_px, self.size.height_px))

    def line_first(self, channel: int) -> int:
        return self.first + self.rows * (self.columns * self.has_lattice + channel)

    @property
    def end(self) -> int:
        return self.line_first(3)

    def entries(self, at_px: FloatArray, channel: int, bed_first: int) -> tuple[NDArray[np.intp], FloatArray]:
        """Columns (n, k) of the unknowns that decide the log factor at points, and their weights."""
        column, across = spline_weights(at_px[:, 0], self.step_px, self.size.width_px)
        row, down = spline_weights(at_px[:, 1], self.step_px, self.size.height_px)
        rows, columns = row[:, None] + np.arange(4), column[:, None] + np.arange(4)
        count = len(at_px)
        bed = np.broadcast_to(bed_first + BED_TERMS * channel + np.arange(BED_TERMS), (count, BED_TERMS))
        places = [self.line_first(channel) + rows, bed]
        weights = [down, bed_terms(at_px, self.size)]
        if self.has_lattice:
            lattice = self.first + rows[:, :, None] * self.columns + columns[:, None, :]
            places.append(lattice.reshape(count, 16))
            weights.append((down[:, :, None] * across[:, None, :]).reshape(count, 16))
        return np.concatenate(places, axis=1), np.concatenate(weights, axis=1).astype(np.float64)

    def knots_px(self) -> tuple[FloatArray, FloatArray]:
        """Where the coefficients' knots lie, x and y."""
        x, y = (np.asarray((np.arange(n) - 1.0) * self.step_px, np.float64) for n in (self.columns, self.rows))
        return x, y


def bed_terms(at_px: FloatArray, size: Size) -> FloatArray:
    """The bed's terms at places of a scan, (n, 5): both slopes, then second degree; zero on average over the bed."""
    u, v = (2 * at_px[:, k] / (length - 1) - 1 for k, length in ((0, size.width_px), (1, size.height_px)))
    return np.column_stack([u, v, u * u - 1 / 3, u * v, v * v - 1 / 3])


def solve_fields(
    pairs: Sequence[LogPair],
    sizes: Mapping[str, Size],
    ppi: Mapping[str, float],
    *,
    slope: SlopeSource,
    is_one_bed: bool,
    has_lift: bool,
) -> dict[str, tuple[float, FloatArray]]:
    """For every scan the distance of knots, px, and coefficients (rows, columns, 3) of a log factor on its light.

    `slope` : what shows slopes of the fall-off; with a white sheet the pairs come with its fall-off undone.
    `is_one_bed` : all scans show the same part of the bed, so that they share its fall-off. `has_lift` : False leaves
    the darkening at borders out; then slopes that turned scans show have nothing to hide in.
    """
    parts = _parts(sizes, ppi, has_lattice=has_lift)
    bed_first = max(part.end for part in parts.values())
    prior = _prior(parts, ppi, _bed_sigmas(slope, is_one_bed=is_one_bed, has_lift=has_lift))
    solution = np.zeros(bed_first + 3 * BED_TERMS)
    rows = [(_rows(pair, parts, bed_first, c), *_target(pair, c)) for pair in pairs for c in range(3)]
    for _ in range(ROUNDS):
        solution = _solved(rows, prior, solution)
    return {name: (part.step_px, _coefficients(part, solution, bed_first)) for name, part in parts.items()}


def knots_of(
    sizes: Mapping[str, Size], ppi: Mapping[str, float]
) -> dict[str, tuple[float, tuple[FloatArray, FloatArray]]]:
    """Distance of the knots of every scan's field, and where they lie across and down, scan px."""
    return {name: (part.step_px, part.knots_px()) for name, part in _parts(sizes, ppi, has_lattice=True).items()}


def _parts(sizes: Mapping[str, Size], ppi: Mapping[str, float], *, has_lattice: bool) -> dict[str, _Part]:
    """The knots are the same with lattices and without, so that fields can be added."""
    parts: dict[str, _Part] = {}
    wider = 1.0
    for _ in range(2):
        end = 0
        for name, size in sizes.items():
            parts[name] = _Part(size, wider * px_from_mm(KNOT_MM, ppi[name]), end, has_lattice=True)
            end = parts[name].end
        if end <= MOST_UNKNOWNS:
            break
        wider = float(np.sqrt(end / MOST_UNKNOWNS))
    return parts if has_lattice else _without_lattices(parts)


def _without_lattices(parts: Mapping[str, _Part]) -> dict[str, _Part]:
    found, end = {}, 0
    for name, part in parts.items():
        found[name] = replace(part, first=end, has_lattice=False)
        end = found[name].end
    return found


def _rows(pair: LogPair, parts: Mapping[str, _Part], bed_first: int, channel: int) -> Any:
    """Derivative of the difference of log light, a − b, by all unknowns: sparse (n, unknowns)."""
    from scipy.sparse import coo_matrix

    count = len(pair.light_a)
    places, values = [], []
    for name, at_px, sign in ((pair.scan_a, pair.at_a_px, 1.0), (pair.scan_b, pair.at_b_px, -1.0)):
        where, weights = parts[name].entries(at_px, channel, bed_first)
        places.append(where)
        values.append(sign * weights)
    columns, entries = np.concatenate(places, axis=1), np.concatenate(values, axis=1)
    rows = np.broadcast_to(np.arange(count)[:, None], columns.shape)
    shape = (count, bed_first + 3 * BED_TERMS)
    return coo_matrix((entries.ravel(), (rows.ravel(), columns.ravel())), shape=shape).tocsr()


def _target(pair: LogPair, channel: int) -> tuple[FloatArray, FloatArray]:
    """What the field has to undo, log light b − a, and what a unit of it does to lightness."""
    a, b = (np.maximum(light[:, channel], 1e-4) for light in (pair.light_a, pair.light_b))
    middle = np.sqrt(a * b)
    return np.log(b / a), lightness_slope(middle) * middle


def _solved(rows: Sequence[tuple[Any, FloatArray, FloatArray]], prior: Any, before: FloatArray) -> FloatArray:
    from scipy.sparse.linalg import splu

    normal, right = prior.copy(), np.zeros(len(before))
    for matrix, target, slope in rows:
        off = slope * (target - matrix @ before)
        scatter = max(1.4826 * float(np.median(np.abs(off))), SCATTER_FLOOR_L)
        weight = CELL_WORTH * (slope / scatter) ** 2 / (1 + (off / (ROBUST_WIDTH * scatter)) ** 2) ** 2
        weighted = matrix.multiply(weight[:, None]).tocsr()
        normal = normal + matrix.T @ weighted
        right += weighted.T @ target
    factors = splu(normal.tocsc(), permc_spec="MMD_AT_PLUS_A", options={"SymmetricMode": True})
    return np.asarray(factors.solve(right))


def _prior(parts: Mapping[str, _Part], ppi: Mapping[str, float], bed_sigmas: FloatArray) -> Any:
    from scipy.sparse import block_diag, diags, eye, kron

    blocks = []
    for name, part in parts.items():
        bend_rows = _bending(part.rows)
        if part.has_lattice:
            bend = kron(bend_rows, eye(part.columns)) + kron(eye(part.rows), _bending(part.columns))
            blocks.append(bend / LIFT_BEND_SIGMA**2 + diags(_lift_sigma(part, ppi[name]).ravel() ** -2.0))
        line = bend_rows / PASS_BEND_SIGMA**2 + eye(part.rows) / PASS_SIGMA**2
        blocks += [line] * 3
    blocks.append(diags(np.tile(bed_sigmas, 3) ** -2.0))
    return block_diag(blocks, format="csr")


def _bed_sigmas(slope: SlopeSource, *, is_one_bed: bool, has_lift: bool) -> FloatArray:
    """What is expected of the bed's five terms."""
    if not is_one_bed:
        return np.full(BED_TERMS, NO_BED_SIGMA)
    if slope is SlopeSource.FLAT:
        return np.full(BED_TERMS, SLOPE_SIGMA)
    shown = BED_SIGMA if has_lift else SHOWN_SLOPE_SIGMA
    sloping = shown if slope is SlopeSource.TURNED_PIECES else SLOPE_SIGMA
    return np.array([sloping, sloping, BED_SIGMA, SLOPE_SIGMA, BED_SIGMA])


def _lift_sigma(part: _Part, ppi: float) -> FloatArray:
    """How large the lattice may be at each knot, (rows, columns): much at the scan's border, hardly inside."""
    x, y = part.knots_px()
    to_side = np.minimum(x, part.size.width_px - 1 - x)[None, :], np.minimum(y, part.size.height_px - 1 - y)[:, None]
    depth = np.maximum(np.minimum(*to_side), 0.0) / px_from_mm(LIFT_REACH_MM, ppi)
    return np.asarray(REST_SIGMA + LIFT_SIGMA * np.exp(-depth))


def _bending(count: int) -> Any:
    from scipy.sparse import diags

    ones = np.ones(count - 2)
    second = diags([ones, -2 * ones, ones], [0, 1, 2], shape=(count - 2, count))
    return second.T @ second


def _coefficients(part: _Part, solution: FloatArray, bed_first: int) -> FloatArray:
    """Lattice, lines and the bed's terms as one lattice for each channel, (rows, columns, 3).

    A uniform cubic B-spline reproduces polynomials up to third degree; of x² its coefficients are x² − step²/3.
    """
    lattice = np.zeros((part.rows, part.columns))
    if part.has_lattice:
        lattice = solution[part.first : part.line_first(0)].reshape(part.rows, part.columns)
    x, y = part.knots_px()
    grid = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    terms = bed_terms(grid, part.size)
    terms[:, 2] -= (2 * part.step_px / (part.size.width_px - 1)) ** 2 / 3
    terms[:, 4] -= (2 * part.step_px / (part.size.height_px - 1)) ** 2 / 3
    channels = []
    for c in range(3):
        line = solution[part.line_first(c) : part.line_first(c + 1)][:, None]
        bed = solution[bed_first + BED_TERMS * c : bed_first + BED_TERMS * (c + 1)]
        channels.append(lattice + line + (terms @ bed).reshape(part.rows, part.columns))
    return np.stack(channels, axis=-1)
