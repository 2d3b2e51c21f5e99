"""What dense passes look at again, and which of their patches they believe."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from stitch.imaging.placed_map import PlacedMap
from stitch.model.geometry import Size
from stitch.register.dense import LOST_SHARE, dense_grains, is_lossy, where_it_led, without_rim
from stitch.register.looked import REACH_PX, SEARCHES, STRETCHED_PX, Look, Looked
from stitch.register.patches import MOST_SHIFT_PX, Measured
from stitch.register.plan import plan
from stitch.register.remembered import NEARLY_PX

SIZE = Size(1200, 1500)


def placed(x_px: float) -> dict[str, PlacedMap]:
    """Two scans beside each other, the second `x_px` further to the right than where its patches were found."""
    return {
        name: PlacedMap(np.array([[1.0, 0.0, x], [0.0, 1.0, 0.0]]), SIZE)
        for name, x in (("A", 0.0), ("B", 700.0 + x_px))
    }


def found(off_px: np.ndarray, *, rim: np.ndarray | None = None, offered_count: int | None = None) -> Measured:
    """Patches of which each lies `off_px` (n, 2) from where `placed(0)` puts it."""
    count = len(off_px)
    points = np.random.default_rng(count).uniform(750, 1150, (count, 2))
    nothing = np.zeros(count, bool)
    counts = (offered_count or count, count, 1)
    shape = np.broadcast_to(np.eye(2), (count, 2, 2))
    at_rim = nothing if rim is None else rim
    return Measured("A", "B", points, points - [700, 0] + off_px, shape, nothing, nothing, at_rim, *counts)


def test_patches_that_the_solve_does_not_lead_to_are_held_against_the_overlap() -> None:
    off = np.zeros((20, 2))
    off[3], off[7, 1], off[9, 0] = 4.7, -(MOST_SHIFT_PX + 0.1), MOST_SHIFT_PX - 0.1  # the next thread; too far; near
    measured = found(off)
    kept = where_it_led(measured, placed(0.0))
    assert kept.count == 18
    assert kept.contrary_count == measured.contrary_count + 2
    assert {tuple(p) for p in kept.points_a} == {tuple(p) for k, p in enumerate(measured.points_a) if k not in (3, 7)}


def test_what_lies_at_the_rim_is_left_out() -> None:
    rim = np.arange(10) < 4
    measured = found(np.zeros((10, 2)), rim=rim)
    np.testing.assert_array_equal(without_rim(measured).points_a, measured.points_a[4:])


@pytest.mark.parametrize("lost", [0.5 * LOST_SHARE, 1.5 * LOST_SHARE])
def test_an_overlap_that_lost_many_patches_is_lossy(lost: float) -> None:
    measured = found(np.zeros((200, 2)), offered_count=round(200 / (1 - lost)))
    assert is_lossy(measured) == (lost > LOST_SHARE)


def test_an_overlap_is_looked_at_again_once_it_has_moved() -> None:
    pair, measured = ("A", "B"), found(np.zeros((9, 2)))
    assert Looked().lacks([pair], placed(0.0)) == [pair]
    looked = Looked().with_these([Look(measured, placed(0.0))])
    assert looked.measured == [measured]
    assert looked.lacks([pair], placed(0.8 * NEARLY_PX)) == []
    assert looked.lacks([pair, ("A", "C")], placed(1.2 * NEARLY_PX)) == [pair, ("A", "C")]
    assert looked.without(lambda one: one is measured).measured == []


def test_moves_are_counted_from_where_an_overlap_was_looked_at_not_from_the_last_pass() -> None:
    pair, measured = ("A", "B"), found(np.zeros((9, 2)))
    looked = Looked().with_these([Look(measured, placed(0.0))])
    drift = [0.4 * NEARLY_PX * step for step in (1, 2, 3)]
    assert [bool(looked.lacks([pair], placed(x))) for x in drift] == [False, False, True]
    again = looked.with_these([Look(replace(measured), placed(drift[-1]))])
    assert again.lacks([pair], placed(drift[-1])) == []


@pytest.mark.parametrize("search_px", [0, 4, 6])
def test_a_wide_search_need_not_be_repeated_for_a_small_move(search_px: int) -> None:
    look = Look(found(np.zeros((9, 2))), placed(0.0), search_px)
    enough = max(NEARLY_PX, search_px / SEARCHES)
    assert look.holds(placed(0.9 * enough))
    assert not look.holds(placed(1.1 * enough))


@pytest.mark.parametrize("share", [0.8, 1.25])
def test_a_search_does_not_make_up_for_maps_that_stretched(share: float) -> None:
    look = Look(found(np.zeros((9, 2))), placed(0.0), 9)
    slope = share * STRETCHED_PX / REACH_PX
    stretched = {**placed(0.0)}
    middle = 250.0  # of the overlap in the second scan: its points move by less than a third of the search
    stretched["B"] = PlacedMap(np.array([[1 + slope, 0.0, 700.0 - slope * middle], [0.0, 1.0, 0.0]]), SIZE)
    assert look.holds(stretched) == (share < 1)


@pytest.mark.parametrize("wider", [1.0, 2.5])
def test_patches_lie_close_along_the_pass_and_as_far_across_as_the_knots(wider: float) -> None:
    maps = placed(0.0)
    for grain in dense_grains(300.0, wider):
        groups = plan(maps["A"], maps["B"], grain)
        x, y = (np.unique(np.concatenate([g.centres[:, k] for g in groups])) for k in (0, 1))
        across, along = np.diff(x).mean(), np.diff(y).mean()
        assert across / along == pytest.approx(wider, rel=0.25)
        assert sum(len(g.centres) for g in groups) == len(x) * len(y)
        assert grain.size_px > along  # patches that judge overlap their neighbours along the pass, which are left out
