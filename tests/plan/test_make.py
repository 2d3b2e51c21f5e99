"""Whole plans: everything covered, laid where the numbers say, and never a scan too many."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stitch.errors import UsageError
from stitch.model.plan import Bed, Hinge, PlannedScan, ScanPlan, Turn
from stitch.plan.file import load_plan, text_of
from stitch.plan.grid import MOST_SCANS, Wanted
from stitch.plan.make import make_plan
from stitch.plan.overlap import Overlap, least_mm
from stitch.plan.rim import rim_mm
from stitch.scans.collect import collect

A4_BED = (216.0, 297.0)
TINY = 1e-6


@st.composite
def wishes(draw: st.DrawFn) -> Wanted:
    bed = Bed(
        draw(st.floats(150, 320)),
        draw(st.floats(200, 450)),
        draw(st.sampled_from([0.0, 2.0, 6.5])),
        draw(st.sampled_from(Hinge)),
    )
    return Wanted(
        draw(st.floats(100, 1600)),
        draw(st.floats(100, 1600)),
        bed,
        overlap=Overlap(draw(st.floats(0, 0.5))),
        turn=draw(st.sampled_from(Turn)),
    )


def planned(wanted: Wanted) -> ScanPlan | None:
    try:
        return make_plan(wanted, dpi=600)
    except UsageError as error:
        assert "fits on the bed" in str(error) or f"more than {MOST_SCANS}" in str(error)
        return None


def on_bed(plan: ScanPlan, scan: PlannedScan, x: float, y: float) -> tuple[float, float]:
    """Where a point of the painting's front comes to lie, going by which way up and where the edges are put.

    Written by hand for each way up, from a sheet turned over sideways: its back shows left and right exchanged.
    """
    width, height = plan.painting_width_mm, plan.painting_height_mm
    from_left, from_far = {
        0: (width - x, y),
        90: (height - y, width - x),
        180: (x, height - y),
        270: (y, x),
    }[scan.turn_deg]
    return scan.left_mm + from_left, scan.far_mm + from_far


@settings(max_examples=150, deadline=None)
@given(wishes())
def test_every_scan_shows_its_piece_and_stays_on_the_glass(wanted: Wanted) -> None:
    plan = planned(wanted)
    for scan in plan.scans if plan else ():
        corners = [
            on_bed(plan, scan, scan.x_mm + dx, scan.y_mm + dy)
            for dx in (0, scan.width_mm)
            for dy in (0, scan.height_mm)
        ]
        bed, margin = wanted.bed, wanted.bed.margin_mm
        assert min(x for x, _ in corners) == pytest.approx(margin, abs=TINY)
        assert max(x for x, _ in corners) == pytest.approx(bed.width_mm - margin, abs=TINY)
        assert min(y for _, y in corners) == pytest.approx(margin, abs=TINY)
        assert max(y for _, y in corners) == pytest.approx(bed.height_mm - margin, abs=TINY)


@settings(max_examples=150, deadline=None)
@given(wishes(), st.lists(st.tuples(st.floats(0, 1), st.floats(0, 1)), min_size=5, max_size=20))
def test_every_point_is_covered(wanted: Wanted, points: list[tuple[float, float]]) -> None:
    plan = planned(wanted)
    for share_x, share_y in [*points, (0, 0), (1, 0), (0, 1), (1, 1)] if plan else ():
        x, y = share_x * wanted.painting_width, share_y * wanted.painting_height
        assert any(shows(scan, x, y) for scan in plan.scans)


def shows(scan: PlannedScan, x: float, y: float) -> bool:
    across, down = x - scan.x_mm, y - scan.y_mm
    return -TINY <= across <= scan.width_mm + TINY and -TINY <= down <= scan.height_mm + TINY


@settings(max_examples=150, deadline=None)
@given(wishes())
def test_neighbours_share_what_was_asked_and_what_placing_needs(wanted: Wanted) -> None:
    plan = planned(wanted)
    if plan is None:
        return
    by_spot = {(scan.row, scan.column): scan for scan in plan.scans}
    assert len(by_spot) == len(plan.scans) == plan.rows * plan.columns
    for (row, column), scan in by_spot.items():
        beside, below = by_spot.get((row, column + 1)), by_spot.get((row + 1, column))
        told = {one.number: one.overlap_mm for one in scan.shares}
        for other, shared, side in (
            (beside, beside and scan.x_mm + scan.width_mm - beside.x_mm, scan.width_mm),
            (below, below and scan.y_mm + scan.height_mm - below.y_mm, scan.height_mm),
        ):
            if other is not None and shared is not None:
                assert shared >= max(wanted.overlap.of(side), least_mm(side)) - TINY
                assert shared == pytest.approx(told[other.number])


@settings(max_examples=150, deadline=None)
@given(wishes())
def test_no_plan_has_fewer_scans(wanted: Wanted) -> None:
    plan = planned(wanted)
    if plan is None:
        return
    (width, height), sides = wanted.usable, (wanted.painting_width, wanted.painting_height)
    upright = tried(sides[0], width, wanted) * tried(sides[1], height, wanted)
    across = tried(sides[1], width, wanted) * tried(sides[0], height, wanted)
    assert len(plan.scans) == min(upright, across)


def tried(length: float, side: float, wanted: Wanted) -> int:
    """Scans along a side, found by adding one after another."""
    count, reach = 1, side
    while reach < length - TINY:
        count, reach = count + 1, reach + side - max(wanted.overlap.of(side), least_mm(side))
    return count


@settings(max_examples=150, deadline=None)
@given(wishes())
def test_nothing_hangs_over_the_hinge_while_the_lid_is_on(wanted: Wanted) -> None:
    plan = planned(wanted)
    for scan in plan.scans if plan else ():
        across = wanted.painting_width if scan.turn_deg % 180 == 0 else wanted.painting_height
        room = {
            Hinge.NONE: 0.0,
            Hinge.TOP: scan.far_mm,
            Hinge.LEFT: scan.left_mm,
            Hinge.RIGHT: wanted.bed.width_mm - scan.left_mm - across,
        }[wanted.bed.hinge]
        assert scan.needs_lid_off == (room < -TINY)


def test_nothing_is_turned_without_need() -> None:
    for turn in (Turn.ANY, Turn.NONE):
        assert not make_plan(Wanted(610, 914, Bed(*A4_BED), turn=turn), dpi=600).has_turned
    two_rows = Wanted(500, 520, Bed(310, 437, hinge=Hinge.TOP))
    assert make_plan(two_rows, dpi=600).has_turned
    assert not any(scan.needs_lid_off for scan in make_plan(two_rows, dpi=600).scans)
    inner = make_plan(Wanted(610, 914, Bed(*A4_BED, hinge=Hinge.TOP)), dpi=600)
    assert not inner.has_turned and any(scan.needs_lid_off for scan in inner.scans)


def test_the_far_half_is_turned_last_and_the_lid_comes_off_once() -> None:
    plan = make_plan(Wanted(610, 914, Bed(*A4_BED, hinge=Hinge.LEFT), turn=Turn.FAR_HALF), dpi=600)
    assert [scan.turn_deg for scan in plan.scans] == [0] * 8 + [180] * 8
    assert [scan.needs_lid_off for scan in plan.scans] == [False] * 4 + [True] * 8 + [False] * 4


@pytest.mark.parametrize("hinge", Hinge)
@pytest.mark.parametrize("turn", Turn)
def test_each_scan_lies_next_to_the_one_before(hinge: Hinge, turn: Turn) -> None:
    scans = make_plan(Wanted(610, 914, Bed(*A4_BED, hinge=hinge), turn=turn), dpi=600).scans
    for before, after in itertools.pairwise(scans):
        assert abs(before.row - after.row) + abs(before.column - after.column) == 1


def test_the_first_scan_lies_in_her_far_left_corner_which_is_the_fronts_top_right() -> None:
    first = make_plan(Wanted(610, 914, Bed(*A4_BED)), dpi=600).scans[0]
    assert (first.row, first.column, first.turn_deg) == (1, 4, 0)
    assert first.x_mm + first.width_mm == pytest.approx(615) and first.y_mm == pytest.approx(-5)
    assert (first.left_mm, first.far_mm) == (5, 5)


def test_a_blank_border_asks_for_more_overlap() -> None:
    plain, bordered = (
        make_plan(Wanted(610, 914, Bed(*A4_BED), paper_margin=margin), dpi=600) for margin in (0.0, 60.0)
    )
    assert bordered.least_overlap_x_mm == pytest.approx(plain.least_overlap_x_mm * 297 / 237)
    assert bordered.least_overlap_y_mm == pytest.approx(plain.least_overlap_y_mm * 216 / 156)
    assert all(one.overlap_mm >= bordered.least_overlap_x_mm for scan in bordered.scans for one in scan.shares)


def test_room_around_the_painting_is_told() -> None:
    assert rim_mm(make_plan(Wanted(610, 914, Bed(*A4_BED)), dpi=600)) == 5
    assert rim_mm(make_plan(Wanted(297, 420, Bed(210, 297)), dpi=600)) == 0


def test_file_names_sort_in_the_order_of_scanning_and_are_taken_as_scans(tmp_path: Path) -> None:
    plan = make_plan(Wanted(1600, 2600, Bed(*A4_BED)), dpi=600)
    assert len(plan.scans) > 100
    names = [scan.file_name for scan in plan.scans]
    assert sorted(names) == names
    for name in names:
        (tmp_path / name).touch()
    found = collect([tmp_path])
    assert [path.name for path in found.files] == names and not found.findings


def test_a_plan_is_read_back_as_it_was(tmp_path: Path) -> None:
    plan = make_plan(Wanted(610, 914, Bed(*A4_BED, 2.0, Hinge.TOP)), dpi=600, title="Hafen – früh")
    path = tmp_path / "plan.json"
    path.write_text(text_of(plan), encoding="utf-8")
    assert load_plan(path) == plan


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda text: text.replace('"schema": 1', '"schema": 99'), "another version"),
        (lambda text: text.replace('"turn_deg": 0', '"turn_deg": "up"'), "damaged"),
        (lambda text: text.replace('"number": 2,', '"number": 7,'), "damaged"),
        (lambda text: "{}", "no plan"),
        (lambda text: text[:90], "no plan"),
    ],
)
def test_a_file_that_is_no_plan_is_refused(tmp_path: Path, change, said: str) -> None:
    path = tmp_path / "plan.json"
    path.write_text(change(text_of(make_plan(Wanted(610, 914, Bed(*A4_BED)), dpi=600))), encoding="utf-8")
    with pytest.raises(UsageError, match=said):
        load_plan(path)
