"""The whole map between the canvas and one scan: the linear part and the local correction, composed.

Everything that asks where a scan pixel lies on the canvas, or which scan pixel a canvas pixel shows, asks here, so that
pixels are resampled once through both parts together.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cache, cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import FloatArray, apply, corners, invert
from stitch.model.geometry import Size, Window
from stitch.model.layout import Layout, LocalCorrection, Placement

FIELD_STEPS_PX = (32, 16, 8)  # canvas px between exact positions; those between follow by cubic convolution
CELLS_TOGETHER = 12  # of the lattice, that are filled together
STEPS_A_KNOT = 10.0  # of those, at least, from one knot of a correction to the next
SETTLED_PX = 1e-9
MOST_ROUNDS = 60
SAMPLES_PER_KNOT = 8  # where the largest of a correction is looked for
FRAME_SLACK_PX = 0.1  # for what lies between those


@dataclass(frozen=True, eq=False)
class Shifts:
    """A local correction ready to be evaluated: `coefficients` (rows, columns, 2) of shifts (x, y)."""

    step_px: FloatArray  # (2,)
    coefficients: FloatArray
    size: Size

    @property
    def largest_px(self) -> float:
        """Length of the largest shift, looked for SAMPLES_PER_KNOT times between knots."""
        xs, ys = (
            np.linspace(0.0, length - 1.0, SAMPLES_PER_KNOT * count)
            for length, count in (
                (self.size.width_px, self.coefficients.shape[1]),
                (self.size.height_px, self.coefficients.shape[0]),
            )
        )
        points = np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2)
        return float(np.hypot(*self.at(points).T).max())

    def bounds(self, low: FloatArray, high: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Least and largest shift (x, y) that may occur between two corners of straightened px: the coefficients'.

        A spline never leaves the range of the coefficients that decide it (de Boor 1978, ch. XI).
        """
        ends = np.stack([low, high])
        columns, _ = spline_weights(ends[:, 0], self.step_px[0], self.size.width_px)
        rows, _ = spline_weights(ends[:, 1], self.step_px[1], self.size.height_px)
        near = self.coefficients[rows[0] : rows[1] + 4, columns[0] : columns[1] + 4]
        return near.min(axis=(0, 1)), near.max(axis=(0, 1))

    def at(self, points: FloatArray) -> FloatArray:
        """Shifts at straightened scan points, (n, 2) to (n, 2)."""
        columns, x_weights = spline_weights(points[:, 0], self.step_px[0], self.size.width_px)
        rows, y_weights = spline_weights(points[:, 1], self.step_px[1], self.size.height_px)
        across = self.coefficients.shape[1]
        first = rows * across + columns
        total = np.zeros(len(points), np.complex128)
        for j in range(4):
            line = sum(x_weights[:, i] * self._paired[first + (j * across + i)] for i in range(4))
            total += y_weights[:, j] * line
        return total.view(np.float64).reshape(-1, 2)

    @cached_property
    def _paired(self) -> NDArray[np.complex128]:
        """The coefficients one after another, x and y as one complex number: half as many steps."""
        return np.ascontiguousarray(self.coefficients, np.float64).view(np.complex128).ravel()


def spline_weights(positions: FloatArray, step_px: float, length_px: int) -> tuple[NDArray[np.intp], FloatArray]:
    """First of the four coefficients that decide each position, and their weights (n, 4)."""
    t = np.clip(positions, 0.0, length_px - 1.0) / step_px
    first = np.floor(t).astype(np.intp)
    f = t - first
    weights = np.stack([(1 - f) ** 3, 3 * f**3 - 6 * f**2 + 4, -3 * f**3 + 3 * f**2 + 3 * f + 1, f**3], axis=-1) / 6
    return first, weights


def coefficient_count(step_px: float, length_px: int) -> int:
    """Coefficients a lattice needs along a side of `length_px`."""
    return int(np.floor((length_px - 1.0) / step_px)) + 4


def with_finer_rows(coefficients: FloatArray, times: int, count: int) -> FloatArray:
    """The same spline (rows, columns, ...) on knots `times` as near to each other down the rows, `count` of them.

    Exact: the coefficients of a cubic B-spline on a subdivided lattice are the old ones, spread and averaged four times
    over `times` neighbours (Lane and Riesenfeld, IEEE TPAMI 2(1), 1980).
    """
    if times == 1:
        return coefficients
    kernel = np.ones(1)
    for _ in range(4):
        kernel = np.convolve(kernel, np.ones(times) / times)
    spread = np.zeros((len(coefficients) * times + len(kernel), *coefficients.shape[1:]))
    for place, weight in enumerate(kernel * times):
        spread[place : place + times * len(coefficients) : times] += weight * coefficients
    first = 3 * (times - 1)
    return spread[first : first + count]


@dataclass(frozen=True, eq=False)
class PlacedMap:
    """The map of one placed scan of a known size.

    `canvas_from_straight` is linear, (2, 3); `shifts` holds the local correction, None when there is none.
    """

    canvas_from_straight: FloatArray
    size: Size
    shifts: Shifts | None = None
    straight_from_canvas: FloatArray = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "straight_from_canvas", invert(self.canvas_from_straight))

    @staticmethod
    def of(placement: Placement, size: Size) -> PlacedMap:
        """The map of a placement, for a scan of `size`."""
        return PlacedMap(placement.matrix, size, shifts_of(placement.correction, size))

    @property
    def is_linear(self) -> bool:
        """True when there is no local correction."""
        return self.shifts is None

    def scan_from_canvas(self, points: FloatArray) -> FloatArray:
        """Scan px of canvas points (n, 2)."""
        straight = apply(self.straight_from_canvas, points)
        return straight if self.shifts is None else straight + self.shifts.at(straight)

    def canvas_from_scan(self, points: FloatArray) -> FloatArray:
        """Canvas px of scan points (n, 2)."""
        return apply(self.canvas_from_straight, self.straightened(points))

    def straightened(self, points: FloatArray) -> FloatArray:
        """The straightened scan px q of scan points p (n, 2): q + e(q) = p, by repeated substitution."""
        if self.shifts is None:
            return points
        straight = points - self.shifts.at(points)
        for _ in range(MOST_ROUNDS):
            step = points - self.shifts.at(straight) - straight
            straight = straight + step
            if np.abs(step).max(initial=0.0) < SETTLED_PX:
                break
        return straight

    @cached_property
    def frame(self) -> tuple[float, float, float, float]:
        """Left, top, right, bottom of a rectangle of straightened px whose every point the scan shows.

        For a linear map through the outermost pixel centres; with a correction each side is moved in by as much as the
        correction reaches out there.
        """
        right, bottom = self.size.width_px - 1.0, self.size.height_px - 1.0
        if self.shifts is None:
            return 0.0, 0.0, right, bottom
        left, top = self._inset(0, 0.0), self._inset(1, 0.0)
        return left, top, right - self._inset(0, right), bottom - self._inset(1, bottom)

    def _inset(self, axis: int, side_px: float) -> float:
        """How far inside a side (0 or the last pixel) no shift along `axis` reaches out of the scan any more.

        Going in from there a shift that does not fold falls back more slowly than the place goes in.
        """
        assert self.shifts is not None
        length, count = (
            (self.size.height_px, self.shifts.coefficients.shape[0])
            if axis == 0
            else (self.size.width_px, self.shifts.coefficients.shape[1])
        )
        along = np.linspace(0.0, length - 1.0, SAMPLES_PER_KNOT * count)
        inward = 1.0 if side_px == 0.0 else -1.0
        inset = 0.0
        for _ in range(MOST_ROUNDS):
            across = np.full_like(along, side_px + inward * inset)
            points = np.column_stack([across, along] if axis == 0 else [along, across])
            out = float((-inward * self.shifts.at(points)[:, axis]).max())
            if out <= inset:
                break
            inset = out + FRAME_SLACK_PX
        return inset

    def bounds(self, canvas: Window) -> tuple[FloatArray, FloatArray]:
        """Scan px (x, y) that no pixel of a canvas window lies to the left of or above, and to the right or below."""
        local = corners(canvas.width_px, canvas.height_px) + np.array([canvas.x0_px, canvas.y0_px])
        straight = apply(self.straight_from_canvas, local)
        low, high = straight.min(axis=0), straight.max(axis=0)
        if self.shifts is None:
            return low, high
        least, most = self.shifts.bounds(low, high)
        return low + least, high + most

    def positions(self, canvas: Window) -> tuple[FloatArray, FloatArray]:
        """Scan px of every pixel centre of a canvas window: x and y, (h, w) each."""
        return everywhere(self.scan_from_canvas, canvas, self.field_step_px)

    def bend(self, canvas: Window) -> tuple[FloatArray, FloatArray]:
        """What the correction adds to the linear part's scan px at every pixel centre of a window: x and y, (h, w)."""
        assert self.shifts is not None
        shifts, inverse = self.shifts, self.straight_from_canvas
        return everywhere(lambda points: shifts.at(apply(inverse, points)), canvas, self.field_step_px)

    @property
    def field_step_px(self) -> int:
        """Canvas px between places at which the map has to be worked out exactly."""
        return FIELD_STEPS_PX[0] if self.shifts is None else _field_step_px(float(self.shifts.step_px.min()))


def placed_maps(layout: Layout, scan_sizes: Mapping[str, Size]) -> dict[str, PlacedMap]:
    """The map of every placed scan, by its name."""
    return {p.scan_id: PlacedMap.of(p, scan_sizes[p.scan_id]) for p in layout.placements}


def everywhere(
    wanted: Callable[[FloatArray], FloatArray], window: Window, step_px: int
) -> tuple[FloatArray, FloatArray]:
    """A smooth function of places, (n, 2) to (n, 2), at every pixel centre of a window: x and y, (h, w) each.

    Exact on a lattice of `step_px` anchored to the grid's origin, between its points by cubic convolution (Keys, IEEE
    TASSP 29(6), 1981), so that a pixel gets the same value whatever window it is asked in.
    """
    first_x, first_y = window.x0_px // step_px, window.y0_px // step_px
    columns = np.arange(first_x - 1, (window.x1_px - 1) // step_px + 3) * step_px
    rows = np.arange(first_y - 1, (window.y1_px - 1) // step_px + 3) * step_px
    ys, xs = np.meshgrid(rows.astype(np.float64), columns.astype(np.float64), indexing="ij")
    coarse = wanted(np.column_stack([xs.ravel(), ys.ravel()])).reshape(len(rows), len(columns), 2)
    into_x, into_y = window.x0_px - first_x * step_px, window.y0_px - first_y * step_px
    x, y = (
        _between(_between(coarse[..., axis].T, into_y, window.height_px, step_px).T, into_x, window.width_px, step_px)
        for axis in (0, 1)
    )
    return x, y


def shifts_of(correction: LocalCorrection | None, size: Size) -> Shifts | None:
    """A stored correction ready to be evaluated on a scan of `size`; None where there is none or all of it is zero."""
    if correction is None:
        return None
    coefficients = np.stack([np.array(correction.dx_px), np.array(correction.dy_px)], axis=-1)
    if not coefficients.any():
        return None
    return Shifts(np.array(correction.step_px), coefficients, size)


def correction_of(shifts: Shifts) -> LocalCorrection:
    """A correction as a record."""
    dx, dy = (tuple(tuple(float(v) for v in row) for row in shifts.coefficients[..., k]) for k in (0, 1))
    return LocalCorrection((float(shifts.step_px[0]), float(shifts.step_px[1])), dx, dy)


def _field_step_px(knot_px: float) -> int:
    return next((step for step in FIELD_STEPS_PX if STEPS_A_KNOT * step <= knot_px), FIELD_STEPS_PX[-1])


def _between(coarse: FloatArray, first: int, count: int, step_px: int) -> FloatArray:
    """Values on a lattice (n, m), one before and two behind, to `count` px from its second point + `first` on."""
    out = np.empty((len(coarse), count))
    for start in range(0, count, CELLS_TOGETHER * step_px):
        length = min(CELLS_TOGETHER * step_px, count - start)
        cell, into = divmod(first + start, step_px)
        weights = _band(step_px, into, length)
        np.matmul(coarse[:, cell : cell + len(weights)], weights, out=out[:, start : start + length])
    return out


@lru_cache(maxsize=256)
def _band(step_px: int, first: int, count: int) -> FloatArray:
    """Weights of lattice points at `count` px from the second of them + `first` on, (points, count)."""
    taps, at = _taps(step_px), first + np.arange(count)
    weights = np.zeros((int(at[-1]) // step_px + 4, count))
    for k in range(4):
        weights[at // step_px + k, np.arange(count)] = taps[at % step_px, k]
    return weights


@cache
def _taps(step_px: int) -> FloatArray:
    """Weights of the four lattice points around each pixel between two of them, (step_px, 4)."""
    f = np.arange(step_px) / step_px
    return np.stack(
        [
            -0.5 * f**3 + f**2 - 0.5 * f,
            1.5 * f**3 - 2.5 * f**2 + 1,
            -1.5 * f**3 + 2 * f**2 + 0.5 * f,
            0.5 * f**3 - 0.5 * f**2,
        ],
        axis=1,
    )
