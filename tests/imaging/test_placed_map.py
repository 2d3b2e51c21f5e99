"""The whole map of a placed scan: exact both ways, the same in every window, a frame that the scan surely covers."""

from __future__ import annotations

import json

import numpy as np
import pytest
from scipy.interpolate import BSpline

from stitch.imaging.affine import apply, rigid
from stitch.imaging.labels import covered, is_inside
from stitch.imaging.placed_map import PlacedMap, Shifts, coefficient_count, correction_of, shifts_of, with_finer_rows
from stitch.imaging.resample import coverage, source_window
from stitch.model.codec import from_plain, to_plain
from stitch.model.geometry import Size, Window
from stitch.model.layout import LocalCorrection, Placement
from tests.bent import correction

SIZE = Size(310, 260)
CANVAS = Window(-30, -30, 380, 330)


def bent(seed: int, *, turn_deg: float = 0.7, scale: float = 1.0, **field: float) -> PlacedMap:
    matrix = rigid(np.radians(turn_deg), 5.3, -2.6, scale)
    return PlacedMap(matrix, SIZE, shifts_of(correction(seed, SIZE, **field), SIZE))


def some_points(seed: int, count: int = 500) -> np.ndarray:
    return np.random.default_rng(seed).uniform([0, 0], [SIZE.width_px - 1, SIZE.height_px - 1], (count, 2))


@pytest.mark.parametrize("seed", range(3))
def test_shifts_are_those_of_a_reference_library(seed: int) -> None:
    """scipy.interpolate.BSpline: uniform knots, coefficient 0 belongs to knot −1."""
    shifts = bent(seed).shifts
    assert shifts is not None
    points = some_points(seed)
    rows, columns = shifts.coefficients.shape[:2]
    bases = []
    for count, step, places in ((columns, shifts.step_px[0], points[:, 0]), (rows, shifts.step_px[1], points[:, 1])):
        knots = step * np.arange(-3, count + 1)
        bases.append(np.stack([BSpline(knots, np.eye(count)[k], 3)(places) for k in range(count)], axis=1))
    theirs = np.einsum("nc,nr,rcd->nd", bases[0], bases[1], shifts.coefficients)
    np.testing.assert_allclose(shifts.at(points), theirs, atol=1e-12)


def test_outside_the_scan_the_shift_is_that_of_its_border() -> None:
    shifts = bent(1).shifts
    assert shifts is not None
    outside = np.array([[-40.0, 100.0], [900.0, 259.0], [50.0, -7.0], [310.0, 400.0]])
    at_border = outside.clip(0.0, [SIZE.width_px - 1.0, SIZE.height_px - 1.0])
    np.testing.assert_array_equal(shifts.at(outside), shifts.at(at_border))


@pytest.mark.parametrize("turn_deg", [0.0, 0.7, 90.0, 181.0])
def test_there_and_back_is_the_same_place(turn_deg: float) -> None:
    placed = bent(2, turn_deg=turn_deg)
    points = some_points(5)
    np.testing.assert_allclose(placed.scan_from_canvas(placed.canvas_from_scan(points)), points, atol=1e-7)
    assert np.abs(placed.straightened(points) - points).max() > 1.0


@pytest.mark.parametrize(("seed", "scale"), [(3, 1.0), (4, 0.5), (5, 2.0)])
def test_positions_of_a_window_are_exact_and_the_same_in_any_window(seed: int, scale: float) -> None:
    placed = bent(seed, scale=scale)
    inner = Window(20, 18, 120, 100)  # of the scan, away from its border, where the field has no corner
    xs, ys = np.meshgrid(np.arange(inner.x0_px, inner.x1_px), np.arange(inner.y0_px, inner.y1_px))
    exact = placed.scan_from_canvas(np.column_stack([xs.ravel(), ys.ravel()]).astype(float)).reshape(*xs.shape, 2)
    x, y = placed.positions(inner)
    step = np.abs(np.stack([x, y], axis=-1) - exact)
    inside = (exact > 20).all(axis=-1)
    assert step[inside].max() * scale < 4e-3  # canvas px, of a field that turns round at every knot
    part = Window(45, 31, 33, 50)
    for mine, whole in zip(placed.positions(part), (x, y), strict=True):
        np.testing.assert_allclose(mine, whole[part.slices_in(inner)], atol=1e-10)


@pytest.mark.parametrize(("knot_px", "step_px"), [(60.0, 8), (83.0, 8), (165.0, 16), (331.0, 32)])
def test_the_wider_its_knots_the_fewer_places_are_worked_out(knot_px: float, step_px: int) -> None:
    """At any resolution a correction by knots of 7 mm comes out as exactly as it can be sampled."""
    size = Size(int(6 * knot_px), int(6 * knot_px))
    placed = PlacedMap(
        rigid(0.01, 3.0, 5.0), size, shifts_of(correction(1, size, largest_px=3.0, step_px=knot_px), size)
    )
    assert placed.field_step_px == step_px
    window = Window(int(2 * knot_px), int(2 * knot_px), 150, 140)
    ys, xs = np.mgrid[window.y0_px : window.y1_px, window.x0_px : window.x1_px].astype(float)
    points = np.column_stack([xs.ravel(), ys.ravel()])
    exact = placed.scan_from_canvas(points)
    for axis, (whole, bend) in enumerate(zip(placed.positions(window), placed.bend(window), strict=True)):
        np.testing.assert_allclose(whole.ravel(), exact[:, axis], atol=4e-3)
        linear = apply(placed.straight_from_canvas, points)[:, axis]
        np.testing.assert_allclose(linear + bend.ravel(), exact[:, axis], atol=4e-3)


@pytest.mark.parametrize("times", [1, 2, 3, 4, 5])
def test_a_lattice_on_finer_rows_is_the_same_spline(times: int) -> None:
    """Against the recurrence of de Boor, A Practical Guide to Splines (1978), as scipy has it, through `Shifts.at`."""
    size, step_px = Size(500, 777), np.array([60.0, 40.0])
    rng = np.random.default_rng(times)
    rows = coefficient_count(times * step_px[1], size.height_px)
    coarse = rng.normal(size=(rows, coefficient_count(step_px[0], size.width_px), 2))
    fine = with_finer_rows(coarse, times, coefficient_count(step_px[1], size.height_px))
    points = rng.uniform(0, 1, (1000, 2)) * [size.width_px - 1, size.height_px - 1]
    was = Shifts(step_px * (1, times), coarse, size).at(points)
    np.testing.assert_allclose(Shifts(step_px, fine, size).at(points), was, atol=1e-12)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("turn_deg", [0.0, -0.9, 90.0, 268.0])
def test_the_scan_covers_all_of_its_frame_and_the_frame_leaves_out_little(seed: int, turn_deg: float) -> None:
    placed = bent(seed, turn_deg=turn_deg)
    low = np.array([-5.0, -5.0])
    window = Window(*np.floor(placed.canvas_from_scan(some_points(0, 2000)).min(axis=0) + low).astype(int), 360, 360)
    mine, shown = covered(placed, window), coverage(SIZE, placed, window)
    assert not (mine & ~shown).any()
    left, top, right, bottom = placed.frame
    assert left >= 0 and top >= 0 and right <= SIZE.width_px - 1 and bottom <= SIZE.height_px - 1
    assert max(left, top, SIZE.width_px - 1 - right, SIZE.height_px - 1 - bottom) <= 4.5
    assert (shown & ~mine).sum() <= 4.5 * 4 * 310


def test_without_a_correction_the_frame_is_the_scan() -> None:
    placed = PlacedMap(rigid(0.01, 3.0, 4.0), SIZE)
    assert placed.frame == (0.0, 0.0, 309.0, 259.0)
    assert placed.is_linear and placed.bounds(Window(0, 0, 1, 1))[0].shape == (2,)


@pytest.mark.parametrize("seed", range(4))
def test_what_a_window_needs_of_the_scan_holds_every_position(seed: int) -> None:
    placed = bent(seed)
    for window in (Window(0, 0, 64, 64), Window(100, 33, 7, 190), Window(290, 240, 40, 40), Window(-30, 100, 50, 9)):
        x, y = placed.positions(window)
        needed = source_window(placed, window, SIZE)
        inside = (x >= 0) & (y >= 0) & (x <= SIZE.width_px - 1) & (y <= SIZE.height_px - 1)
        if inside.any():
            assert needed.x0_px <= max(0.0, x[inside].min() - 1) and needed.x1_px >= min(310.0, x[inside].max() + 3)
            assert needed.y0_px <= max(0.0, y[inside].min() - 1) and needed.y1_px >= min(260.0, y[inside].max() + 3)
        assert needed.width_px <= window.width_px + 24 and needed.height_px <= window.height_px + 24


def test_windows_well_inside_are_known_to_be_inside() -> None:
    placed = bent(7)
    assert is_inside(placed, Window(30, 30, 200, 180))
    assert not is_inside(placed, Window(-10, 30, 200, 180))


def test_a_correction_survives_its_record_and_none_is_none() -> None:
    field = correction(3, SIZE)
    placement = Placement("a", ((1.0, 0.0, 2.0), (0.0, 1.0, 3.0)), 0.1, field)
    again = from_plain(Placement, json.loads(json.dumps(to_plain(placement))))
    assert again == placement
    shifts = shifts_of(field, SIZE)
    assert shifts is not None and correction_of(shifts) == field
    assert not PlacedMap.of(placement, SIZE).is_linear
    flat = LocalCorrection(field.step_px, *(tuple(tuple(0.0 for _ in row) for row in field.dx_px) for _ in range(2)))
    assert shifts_of(flat, SIZE) is None and shifts_of(None, SIZE) is None


def test_the_largest_shift_is_found() -> None:
    field = np.zeros((coefficient_count(80.0, SIZE.height_px), coefficient_count(80.0, SIZE.width_px), 2))
    field[..., 0], field[..., 1] = 3.0, -4.0  # the same everywhere: a spline of equal coefficients is that value
    assert Shifts(np.array([80.0, 80.0]), field, SIZE).largest_px == pytest.approx(5.0, abs=1e-12)
    shifts = bent(4).shifts
    assert shifts is not None
    dense = np.hypot(*shifts.at(some_points(9, 20_000)).T).max()
    assert dense - 0.02 <= shifts.largest_px and 0.5 < shifts.largest_px < 4 * np.sqrt(2)
