"""A region stays on its paint when the canvas is cropped, turned or resized, and when scans are made again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from stitch.imaging.affine import FloatArray, apply, compose, rigid, rows_of
from stitch.model.geometry import Size
from stitch.model.layout import Placement
from stitch.model.wishes import Frame, FramedScan, Want, Wish
from stitch.wishes.held import corners_px, held_by, held_corners_px, renewed

PLACES = {"A1": rigid(0.004, 20, 25), "A2": rigid(np.pi / 2, 900, 30)}
BOX = Wish(Want.PREFER, "A1", ((20.0, 10.0), (40.0, 30.0)))


def frame(change: FloatArray | None = None, ppi: float = 200.0, keys: str = "1") -> Frame:
    """Two scans on a canvas; `change` maps the first canvas to this one."""
    change = np.eye(3)[:2] if change is None else change
    scans = tuple(
        FramedScan(name, f"{name}{keys}", Size(500, 450), Placement(name, rows_of(compose(change, place)), 0.02))
        for name, place in PLACES.items()
    )
    return Frame(Size(1000, 600), ppi, scans)


def test_mm_count_from_the_masters_corner_and_px_from_a_scans_first_pixel() -> None:
    np.testing.assert_allclose(corners_px(BOX, frame())[0], np.array([20, 10]) * 200 / 25.4 - 0.5)
    in_px = replace(BOX, px_of="A2")
    np.testing.assert_allclose(corners_px(in_px, frame()), apply(PLACES["A2"], np.array(in_px.corners)), atol=1e-9)
    assert corners_px(replace(BOX, px_of="C9"), frame()) is None
    assert held_by(replace(BOX, px_of="C9"), frame()) is None


@pytest.mark.parametrize("wish", [BOX, replace(BOX, px_of="A2")])
@pytest.mark.parametrize("change", [rigid(0.0, -120, 33), rigid(np.pi / 2, 600, 0), rigid(0.002, 5, 5, scale=0.5)])
def test_the_same_paint_is_covered_on_another_canvas(wish: Wish, change: FloatArray) -> None:
    held = held_by(wish, frame())
    there = held_corners_px(held, frame(change, ppi=100.0))
    np.testing.assert_allclose(there, apply(change, corners_px(wish, frame())), atol=1e-6)


def test_a_scan_made_again_leaves_the_region_with_the_others_and_takes_part_from_then_on() -> None:
    first = frame()
    held = held_by(BOX, first)
    assert [place.scan_id for place in held.places] == ["A1", "A2"]
    second = replace(first, scans=(replace(first.scans[0], key="again"), first.scans[1]))
    wanted = corners_px(BOX, first)
    there = held_corners_px(held, second)
    np.testing.assert_allclose(there, wanted, atol=1e-6)
    held = renewed(held, BOX, there, second)
    third = replace(first, scans=(second.scans[0], replace(first.scans[1], key="again, too")))
    np.testing.assert_allclose(held_corners_px(held, third), wanted, atol=1e-6)
    assert held_corners_px(held, frame(keys="2")) is None


def test_what_holds_is_the_same_however_often_it_is_asked() -> None:
    held = held_by(BOX, frame())
    there = held_corners_px(held, frame())
    assert renewed(held, BOX, there, frame()) == held
