from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stitch.imaging import affine
from stitch.imaging.labels import covered, depth_at, is_inside, label_box, labels_at, present
from stitch.imaging.placed_map import PlacedMap, shifts_of
from stitch.imaging.resample import coverage
from stitch.model.geometry import Size, Window
from stitch.model.seams import LabelMap
from tests.bent import correction

SIZE = Size(83, 61)


@settings(max_examples=80, deadline=None)
@given(
    turn_deg=st.sampled_from([0.0, 0.3, -1.0, 90.0, 180.0, 271.2]),
    x=st.floats(-40, 60),
    y=st.floats(-40, 60),
    corner=st.tuples(st.integers(-60, 60), st.integers(-60, 60)),
)
def test_runs_of_covered_pixels_are_those_that_lie_inside(turn_deg, x, y, corner):
    matrix = affine.rigid(math.radians(turn_deg), x, y)
    window = Window(*corner, 50, 40)
    found = covered(PlacedMap(matrix, SIZE), window)
    assert np.array_equal(found, coverage(SIZE, matrix, window))
    if is_inside(PlacedMap(matrix, SIZE), window):
        assert found.all()


def test_whole_pixel_borders_are_exact():
    found = covered(PlacedMap(affine.rigid(0.0, 5.0, 7.0), SIZE), Window(0, 0, 120, 90))
    expected = np.zeros((90, 120), bool)
    expected[7 : 7 + 61, 5 : 5 + 83] = True
    assert np.array_equal(found, expected)


def test_depth_is_the_distance_to_the_nearest_side():
    scan = PlacedMap(affine.IDENTITY, SIZE)
    assert depth_at(scan, np.array([0.0, 10.0, 82.0, -3.0]), np.array([30.0, 30.0, 30.0, 30.0])).tolist() == [
        0.0,
        10.0,
        0.0,
        -3.0,
    ]


def test_present_and_box():
    labels = np.zeros((20, 30), np.uint8)
    assert present(labels) == []
    labels[3:7, 10:12] = 4
    labels[15, 2] = 9
    assert present(labels) == [4, 9]
    assert label_box(labels, Window(100, 200, 30, 20), 4) == Window(110, 203, 2, 4)
    assert present(np.full((3, 3), 7, np.uint8)) == [7]


@pytest.mark.parametrize("seed", range(3))
def test_a_label_is_of_a_scan_that_shows_the_pixel_however_it_was_bent(seed: int):
    rng = np.random.default_rng(seed)
    maps, canvas = {}, Size(200, 150)
    for k, (x, y) in enumerate([(-12, -9), (75, -14), (-6, 52), (70, 60)]):
        size, turn = Size(150, 120), math.radians(rng.uniform(-1, 1))
        shifts = shifts_of(correction(10 * seed + k, size, step_px=40.0, largest_px=3.0), size)
        maps[f"s{k}"] = PlacedMap(affine.rigid(turn, x + rng.uniform(), y + rng.uniform()), size, shifts)
    cells = np.kron(rng.integers(0, 5, (5, 7)), np.ones((4, 4), int))[:19, :25].astype(np.uint8)
    label_map, whole = LabelMap(cells, 8, tuple(maps)), canvas.window()
    labels = labels_at(label_map, maps, whole)
    for k, placed in enumerate(maps.values()):
        assert coverage(placed.size, placed, whole)[labels == k + 1].all()
        assert not (covered(placed, whole) & (labels == 0)).any()
    assert (labels == 0).mean() < 0.2 and len(np.unique(labels)) >= 4
    for window in (Window(3, 5, 60, 70), Window(120, 80, 80, 70), Window(77, 0, 1, 150)):
        assert np.array_equal(labels_at(label_map, maps, window), labels[window.slices_in(whole)])


@pytest.mark.parametrize("most", [1, 3, 17, 60])
def test_labels_present_are_those_that_occur_in_any_part(most: int) -> None:
    labels = np.random.default_rng(most).integers(0, most + 1, (9, 40)).astype(np.uint8)
    for part in (labels, labels[2:5, 3:9], labels[::2, ::3], labels[:1, :1]):
        assert present(part) == [label for label in np.unique(part).tolist() if label]
