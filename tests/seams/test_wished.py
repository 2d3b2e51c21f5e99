"""What was said by hand is met by the cut, pixel by pixel, and what cannot be met is told."""

from __future__ import annotations

import numpy as np
import pytest

from stitch.imaging.labels import covered, labels_at
from stitch.model.seams import LabelMap
from stitch.model.wishes import Want, WishOutcome, WishPlace
from stitch.seams.cut import cut, wish_outcomes
from tests.seams.pieces import SRGB, Pieces, grid, picture, scanned, tiled

WHOLE = picture(3, 420, 360)
SIDE_BY_SIDE = tiled(WHOLE, {"a": (0, 0, 280, 360), "b": (140, 0, 280, 360)})
FOUR = scanned(picture(4, 420, 360), grid(WHOLE, 2, 2, 130), seed=1)


def box(x0: float, y0: float, x1: float, y1: float) -> tuple[tuple[float, float], ...]:
    return (x0, y0), (x1, y0), (x1, y1), (x0, y1)


def prefer(scan: str, *corners: tuple[float, float]) -> WishPlace:
    return WishPlace(Want.PREFER, scan, corners)


def avoid(scan: str, *corners: tuple[float, float]) -> WishPlace:
    return WishPlace(Want.AVOID, scan, corners)


def wished(pieces: Pieces, *wishes: WishPlace) -> tuple[np.ndarray, tuple[WishOutcome, ...], LabelMap]:
    label_map = cut(pieces.sources, pieces.layout, pieces.untoned, SRGB, bits=pieces.bits, memory_mb=500, wishes=wishes)
    labels = labels_at(label_map, pieces.maps, pieces.layout.canvas.window())
    return labels, wish_outcomes(pieces.layout, pieces.sizes, label_map, wishes, memory_mb=500), label_map


def inside(labels: np.ndarray, x0: int, y0: int, x1: int, y1: int) -> np.ndarray:
    return labels[y0 : y1 + 1, x0 : x1 + 1]


def test_a_preferred_scan_makes_every_pixel_of_its_region() -> None:
    labels, (one,), _ = wished(SIDE_BY_SIDE, prefer("b", *box(150, 40, 230, 300)))
    assert (inside(labels, 150, 40, 230, 300) == 2).all()
    assert one.met_fraction == 1.0 and one.covered_fraction == 1.0 and one.against == ()
    assert one.region_mm2 == pytest.approx(80 * 260 * (25.4 / 300) ** 2, rel=0.1)


def test_an_avoided_scan_makes_no_pixel_of_its_region() -> None:
    labels, (one,), _ = wished(SIDE_BY_SIDE, avoid("a", *box(150, 40, 230, 300)))
    assert (inside(labels, 150, 40, 230, 300) == 2).all()
    assert one.met_fraction == 1.0 and one.lone_fraction == 0.0


@pytest.mark.parametrize("size_px", [1, 4, 9, 30])
def test_a_small_wish_far_from_the_seam_is_not_tidied_away(size_px: int) -> None:
    plain, _, _ = wished(SIDE_BY_SIDE)
    assert plain[180, 160] == 1
    labels, (one,), _ = wished(SIDE_BY_SIDE, prefer("b", *box(160, 180, 160 + size_px, 180 + size_px)))
    assert (inside(labels, 160, 180, 160 + size_px, 180 + size_px) == 2).all()
    assert one.met_fraction == 1.0
    assert (labels[:60] == plain[:60]).all()


def test_a_polygon_keeps_to_its_corners() -> None:
    corners = (152.0, 60.0), (236.0, 180.0), (152.0, 300.0)
    labels, (one,), _ = wished(SIDE_BY_SIDE, prefer("b", *corners))
    ys, xs = np.mgrid[60:301, 152:237]
    there = xs - 152 <= 84 - np.abs(ys - 180) * 84 / 120
    assert (labels[60:301, 152:237][there] == 2).all()
    assert one.met_fraction == 1.0


@pytest.mark.parametrize("want", Want)
def test_among_turned_scans_a_wish_is_met_wherever_it_can_be(want: Want) -> None:
    region = box(120.0, 100.0, 320.0, 260.0)
    labels, (one,), label_map = wished(FOUR, WishPlace(want, "r0c0", region))
    window = FOUR.layout.canvas.window()
    here = covered(FOUR.maps["r0c0"], window)[100:261, 120:321]
    others = np.logical_or.reduce([covered(FOUR.maps[n], window) for n in label_map.scan_ids if n != "r0c0"])
    wanted = here if want is Want.PREFER else here & others[100:261, 120:321]
    anywhere = others | covered(FOUR.maps["r0c0"], window)
    is_first = labels[100:261, 120:321] == 1
    missed = (wanted & (~is_first if want is Want.PREFER else is_first)).sum()
    assert missed <= 2 * label_map.cell_px * np.sqrt(here.sum())  # a cell wide along the scan's own border
    assert np.array_equal(labels > 0, anywhere)
    assert one.covered_fraction < 1.0 and one.against == ()


def test_a_cell_that_only_the_avoided_scan_covers_keeps_it_and_that_is_told() -> None:
    labels, (one,), _ = wished(SIDE_BY_SIDE, avoid("a", *box(100, 100, 200, 200)))
    assert (labels > 0).all()
    assert (inside(labels, 100, 100, 139, 200) == 1).all() and (inside(labels, 148, 100, 200, 200) == 2).all()
    assert one.lone_fraction == pytest.approx(0.4, abs=0.05) and one.met_fraction == pytest.approx(0.6, abs=0.05)


def test_of_two_that_contradict_the_later_counts_and_both_are_told() -> None:
    region = box(150, 100, 230, 200)
    labels, (first, second), _ = wished(SIDE_BY_SIDE, prefer("b", *region), prefer("a", *region))
    assert (inside(labels, 150, 100, 230, 200) == 1).all()
    assert first.met_fraction == 0.0 and first.against == (1,)
    assert second.met_fraction == 1.0 and second.against == ()


def test_avoiding_every_scan_leaves_no_hole() -> None:
    region = box(150, 100, 230, 200)
    labels, (first, second), _ = wished(SIDE_BY_SIDE, avoid("b", *region), avoid("a", *region))
    assert (inside(labels, 150, 100, 230, 200) == 2).all()
    assert first.met_fraction == 0.0 and first.against == (1,) and first.lone_fraction == 0.0
    assert second.met_fraction == 1.0


def test_regions_side_by_side_do_not_contradict() -> None:
    halves = prefer("b", *box(150, 50, 190, 300)), prefer("a", *box(190, 50, 240, 300))
    labels, found, label_map = wished(SIDE_BY_SIDE, *halves)
    assert all(one.met_fraction == 1.0 and one.against == () for one in found)
    cell = label_map.cell_px
    assert (inside(labels, 150, 50, 190 - cell, 300) == 2).all() and (
        inside(labels, 190 + cell, 50, 240, 300) == 1
    ).all()


def test_what_lies_outside_or_on_nobody_changes_nothing() -> None:
    plain, _, _ = wished(SIDE_BY_SIDE)
    labels, found, _ = wished(
        SIDE_BY_SIDE,
        prefer("b", *box(10, 10, 60, 60)),
        avoid("b", *box(900, 900, 950, 950)),
        prefer("z", *box(1, 1, 9, 9)),
    )
    assert np.array_equal(labels, plain)
    assert [one.covered_fraction for one in found] == [0.0, 0.0, 0.0]
    assert found[0].region_mm2 > 0 and found[1].region_mm2 == 0
