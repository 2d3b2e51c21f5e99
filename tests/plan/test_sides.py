"""Scans along a side: how many, and where each begins."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from stitch.plan.sides import MOST_SHARED, RIM_MM, scan_count, starts

INCH = 25.4


@pytest.mark.parametrize(
    ("length", "side", "count"),
    [
        # 24 × 36 in on a bed of 8.5 × 11.7 in at 25 %: 4 × 4 upright, 3 × 6 across (common practice, no source)
        (24 * INCH, 8.5 * INCH, 4),
        (36 * INCH, 11.7 * INCH, 4),
        (24 * INCH, 11.7 * INCH, 3),
        (36 * INCH, 8.5 * INCH, 6),
        # by hand: 100 + 75 + 75 cover 250 exactly
        (250, 100, 3),
        (250.1, 100, 4),
        (100, 100, 1),
        (100.1, 100, 2),
    ],
)
def test_worked_examples(length: float, side: float, count: int) -> None:
    assert scan_count(length, side, side * 0.25) == count


@given(st.floats(50, 3000), st.floats(60, 450), st.floats(0.1, 0.8))
@example(60.00000000000001, 60.0, 0.5)
def test_covered_overlapping_and_minimal(length: float, side: float, share: float) -> None:
    overlap = share * side
    begins = starts(length, side, overlap)
    assert begins[0] <= 0 and begins[-1] + side >= length - 1e-6
    for before, after in itertools.pairwise(begins):
        assert before < after
        assert before + side - after >= overlap - 1e-6
    fewer = len(begins) - 1
    assert fewer == 0 or fewer * side - (fewer - 1) * overlap < length + 1e-6


@given(st.floats(101, 3000))
def test_the_rim_is_seen_where_there_is_room_and_scans_are_never_nearly_alike(length: float) -> None:
    begins = starts(length, 100, 20)
    spare = len(begins) * 100 - (len(begins) - 1) * 20 - length
    assert begins[0] == -RIM_MM if 2 * RIM_MM <= spare < 20 else begins[0] <= 0
    step = begins[1] - begins[0]
    assert step >= 100 * (1 - MOST_SHARED) - 1 or spare < 0
