"""The canvas around scans with local corrections, and what their placements carry."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from stitch.imaging.affine import FloatArray, apply, rigid
from stitch.imaging.placed_map import PlacedMap, Shifts, shifts_of
from stitch.model.geometry import Size
from stitch.model.layout import CorrectionFit, Layout, Link
from stitch.register.arrange import Keep, arrange, upright_from_nominal
from stitch.register.place import Registration
from stitch.register.solve import Pose
from tests.bent import correction

SIZE = Size(300, 360)
PLACES = {"A": (0.0, 0.0), "B": (220.0, 4.0)}


def registered(shifts: dict[str, Shifts], turn_rad: float = 0.0) -> Registration:
    """Two scans beside each other, at whole pixels where they are not turned."""
    poses = {
        name: Pose.of_matrix(rigid(turn_rad * k, *place), SIZE, 1.0) for k, (name, place) in enumerate(PLACES.items())
    }
    fit = CorrectionFit("stiff", 0.4, 0.1) if shifts else None
    sizes = dict.fromkeys(poses, SIZE)
    return Registration(600.0, "A", poses, sizes, dict.fromkeys(poses, 0.001), (), (), shifts=shifts, correction=fit)


def bent(seed: int, largest_px: float = 3.0) -> dict[str, Shifts]:
    found = {name: shifts_of(correction(seed + k, SIZE, largest_px=largest_px), SIZE) for k, name in enumerate(PLACES)}
    return {name: shifts for name, shifts in found.items() if shifts is not None}


def laid(found: Registration, **options: object) -> Layout:
    return arrange(found, upright_from_nominal(found), Keep(), canvas_ppi=600.0, **options)


def border(size: Size) -> FloatArray:
    """Centres of the outermost canvas pixels."""
    xs, ys = np.arange(size.width_px, dtype=float), np.arange(size.height_px, dtype=float)
    right, bottom = size.width_px - 1.0, size.height_px - 1.0
    sides = [(xs, 0 * xs), (xs, 0 * xs + bottom), (0 * ys, ys), (0 * ys + right, ys)]
    return np.concatenate([np.column_stack(side) for side in sides])


@pytest.mark.parametrize("seed", range(5))
def test_the_canvas_of_one_corrected_scan_holds_no_pixel_it_does_not_show(seed: int) -> None:
    """Or only a part of, at its rim; and gives away no more than the correction reaches out of the scan."""
    only = {"A": bent(seed)["A"]}
    found = registered(only)
    found = replace(found, poses={"A": found.poses["A"]}, sizes={"A": SIZE}, sigma_px={"A": 0.001})
    layout = laid(found)
    seen = PlacedMap.of(layout.placement("A"), SIZE).scan_from_canvas(border(layout.canvas))
    assert seen.min() > -1
    assert (seen < [SIZE.width_px, SIZE.height_px]).all()
    most = 2 * (only["A"].largest_px + 1.1)
    assert SIZE.width_px - most <= layout.canvas.width_px <= SIZE.width_px
    assert SIZE.height_px - most <= layout.canvas.height_px <= SIZE.height_px


@pytest.mark.parametrize("up_deg", [0, 90, 180, 270])
def test_placements_carry_the_correction_to_the_same_places(up_deg: int) -> None:
    """Distances between where points of both scans come to lie are those of the registration, whatever is on top."""
    found = registered(bent(10), turn_rad=0.01)
    layout = laid(found, up_deg=up_deg)
    points = np.random.default_rng(1).uniform(5, [SIZE.width_px - 6, SIZE.height_px - 6], (50, 2))
    before, after = [], []
    for name, nominal in found.placed().items():
        placement = layout.placement(name)
        assert placement.correction is not None
        before.append(nominal.canvas_from_scan(points))
        after.append(PlacedMap.of(placement, SIZE).canvas_from_scan(points))
        uncorrected = apply(placement.matrix, points)
        assert np.hypot(*(after[-1] - uncorrected).T).max() > 0.5
    gaps = [np.hypot(*(pair[0][:, None] - pair[1][None]).transpose(2, 0, 1)) for pair in (before, after)]
    np.testing.assert_allclose(gaps[0], gaps[1], atol=1e-6)


def test_what_was_corrected_is_told_and_what_was_not_is_not() -> None:
    corrected, plain = laid(registered(bent(20))), laid(registered({}))
    assert corrected.correction == CorrectionFit("stiff", 0.4, 0.1)
    assert plain.correction is None
    assert all(placement.correction is None for placement in plain.placements)


def test_whole_pixel_tiles_are_taken_as_whole_only_without_corrections() -> None:
    assert laid(registered({})).is_whole_pixel
    assert laid(registered({})).canvas == Size(SIZE.width_px + 220, SIZE.height_px + 4)
    assert not laid(registered(bent(30))).is_whole_pixel


def test_one_corrected_scan_leaves_the_other_without_a_correction() -> None:
    layout = laid(registered({"B": bent(40)["B"]}))
    assert layout.placement("A").correction is None
    assert layout.placement("B").correction is not None
    assert not layout.is_whole_pixel


def test_a_placement_is_as_likely_as_that_one_of_its_links_is_right() -> None:
    link = Link("A", "B", 0, 40, 0.3, 40, 10, 0.02, 0.04, 0.05, False, "", probability=0.98)
    layout = laid(replace(registered({}), links=(link,)))
    assert [placement.probability for placement in layout.placements] == pytest.approx([0.98, 0.98])
    assert all(placement.probability is None for placement in laid(registered({})).placements)
