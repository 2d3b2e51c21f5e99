"""The worst places: the right ones, spread out, cut out at 100 %, in the right colours."""

from __future__ import annotations

import io
import math

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from stitch.model.geometry import Size, Window
from stitch.model.seams import SeamLine
from stitch.report import scale
from stitch.report.measures import VISIBLE_SHIFT_PX
from stitch.report.spots import CROP_PX, Spot, crop_spots, crop_window
from tests.report.summaries import SRGB, Run

CANVAS = Size(4000, 3000)


def master(window: Window) -> NDArray[np.uint16]:
    """16-bit pixels that tell where they are."""
    assert window == window.clipped(CANVAS)
    ys, xs = np.mgrid[window.y0_px : window.y1_px, window.x0_px : window.x1_px]
    return np.stack([xs % 256 * 256 + 77, ys % 256 * 256 + 5, (xs + ys) % 256 * 256], axis=-1).astype(np.uint16)


def labels_at(window: Window) -> NDArray[np.uint8]:
    """Two scans that meet between columns 1999 and 2000."""
    xs = np.arange(window.x0_px, window.x1_px)
    return np.broadcast_to(1 + (xs >= 2000), (window.height_px, window.width_px)).astype(np.uint8)


def upright(steps: list[float], shifts: list[float | None]) -> SeamLine:
    ys = np.linspace(0, 2999, len(steps))
    return SeamLine("a", "b", tuple((1999.5, float(y)) for y in ys), tuple(steps), tuple(shifts), 127.0)


def found(lines: tuple[SeamLine, ...], count: int = 12, **more: object) -> tuple[Spot, ...]:
    return crop_spots(master, lines, labels_at, CANVAS, 600.0, count, **more)


def picture(png: bytes) -> NDArray[np.uint8]:
    return np.asarray(Image.open(io.BytesIO(png)))


def test_the_worst_step_comes_first_with_its_figures() -> None:
    steps, shifts = [0.1] * 300, [0.05] * 300
    steps[200], shifts[200] = 2.5, 0.2
    spot = found((upright(steps, shifts),))[0]
    assert spot.step_de00 == 2.5 and spot.misregistration_px == 0.2
    assert spot.misregistration_mm == pytest.approx(0.2 * 25.4 / 600)
    assert spot.place_px == (1999.5, pytest.approx(200 / 299 * 2999))
    assert spot.place_mm == (pytest.approx(2000 * 25.4 / 600), pytest.approx((200 / 299 * 2999 + 0.5) * 25.4 / 600))


def test_places_beside_the_painting_come_only_where_there_are_no_others() -> None:
    steps, shifts = [0.1] * 300, [0.05] * 300
    steps[2] = 9.0
    lines = (upright(steps, shifts),)
    assert found(lines)[0].step_de00 == 9.0
    inside = found(lines, counts=lambda point: point[1] > 100)
    assert max(spot.step_de00 for spot in inside) == 0.1 and all(spot.place_px[1] > 100 for spot in inside)
    assert found(lines, counts=lambda point: False)[0].step_de00 == 9.0


def test_a_large_shift_counts_as_much_as_a_large_step() -> None:
    steps, shifts = [0.1] * 300, [0.02] * 300
    steps[30], shifts[250] = 1.5, 2 * VISIBLE_SHIFT_PX
    first, second = found((upright(steps, shifts),))[:2]
    assert first.misregistration_px == 2 * VISIBLE_SHIFT_PX and second.step_de00 == 1.5


def test_unknown_figures_stay_unknown() -> None:
    spot = found((upright([math.nan] * 5, [None] * 5),))[0]
    assert spot.step_de00 is None and spot.misregistration_px is None and spot.misregistration_mm is None


@pytest.mark.parametrize("seed", range(5))
def test_spots_are_spread_out_and_in_order(seed: int) -> None:
    run = Run(seed)
    lines = run.seams()
    blank = np.zeros((CROP_PX, CROP_PX, 3), np.uint8)
    spots = crop_spots(lambda w: blank, lines, lambda w: blank[..., 0], run.canvas, run.ppi)
    assert len(spots) == 12
    for index, one in enumerate(spots):
        for other in spots[:index]:
            assert math.dist(one.place_px, other.place_px) >= CROP_PX
    worst = max(
        max(max(line.step_de00) for line in lines),
        max(x / VISIBLE_SHIFT_PX for line in lines for x in line.misregistration_px if x),
    )
    assert badness(spots[0]) == pytest.approx(worst)
    assert [badness(spot) for spot in spots] == sorted((badness(spot) for spot in spots), reverse=True)


def badness(spot: Spot) -> float:
    return max(spot.step_de00 or 0, (spot.misregistration_px or 0) / VISIBLE_SHIFT_PX)


def test_one_bad_stretch_does_not_take_every_place() -> None:
    steps = [0.1] * 600
    steps[100:160] = [3.0] * 60  # 300 px long
    spots = found((upright(steps, [None] * 600),), 5)
    assert sum(spot.step_de00 == 3.0 for spot in spots) <= 2
    assert np.ptp([spot.place_px[1] for spot in spots]) > 1000


def test_crops_are_the_master_itself() -> None:
    spot = found((upright([1.2] * 3, [None] * 3),))[0]
    assert (spot.crop.width_px, spot.crop.height_px) == (CROP_PX, CROP_PX)
    assert np.array_equal(picture(spot.hidden_png), (master(spot.crop) >> 8).astype(np.uint8))


def test_the_seam_is_drawn_where_the_labels_change_and_nowhere_else() -> None:
    spot = found((upright([1.2] * 3, [None] * 3),))[0]
    shown, hidden = picture(spot.shown_png), picture(spot.hidden_png)
    changed = np.flatnonzero((shown != hidden).any(axis=(0, 2))) + spot.crop.x0_px
    assert changed.min() >= 2000 - 4 and changed.max() <= 2000 + 4
    assert tuple(shown[180, 2000 - spot.crop.x0_px]) == scale.rgb(scale.step_class(1.2).colour)


def test_the_profile_is_embedded_so_that_colours_are_shown_right() -> None:
    spot = found((upright([1.2] * 3, [None] * 3),), 1, profile=SRGB)[0]
    for png in (spot.shown_png, spot.hidden_png):
        assert Image.open(io.BytesIO(png)).info["icc_profile"] == SRGB
    bare = found((upright([1.2] * 3, [None] * 3),), 1)[0]
    assert "icc_profile" not in Image.open(io.BytesIO(bare.hidden_png)).info


@pytest.mark.parametrize("place", [(0.0, 0.0), (3999.0, 2999.0), (10.0, 2990.0)])
def test_crops_at_the_border_are_moved_inside(place: tuple[float, float]) -> None:
    window = crop_window(*place, CANVAS)
    assert window == window.clipped(CANVAS) and window.width_px == window.height_px == CROP_PX
    assert window.x0_px <= place[0] < window.x1_px and window.y0_px <= place[1] < window.y1_px


def test_a_canvas_smaller_than_a_crop_is_shown_whole() -> None:
    assert crop_window(50, 20, Size(100, 40)) == Window(0, 0, 100, 40)


def test_no_seam_no_spot() -> None:
    assert found(()) == ()
