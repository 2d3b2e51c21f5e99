from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stitch.compose.windows import blend_levels, solve
from stitch.errors import UsageError
from stitch.imaging import pyramid
from stitch.model.geometry import Size, Window


@settings(max_examples=60, deadline=None)
@given(
    width=st.integers(50, 70_000),
    height=st.integers(50, 70_000),
    scans=st.integers(2, 60),
    bits=st.sampled_from([8, 16]),
    memory=st.integers(200, 4000),
    jobs=st.integers(1, 16),
)
def test_a_plan_fits_or_says_what_would(width, height, scans, bits, memory, jobs):
    canvas = Size(width, height)
    try:
        plan = solve(canvas, scans, bits, memory, jobs)
    except UsageError as stop:
        least = int(stop.advice.split("--memory ")[1].split()[0])
        assert least > memory and stop.exit_code == 2
        assert solve(canvas, scans, bits, least, jobs).peak_mb == least
        with pytest.raises(UsageError):
            solve(canvas, scans, bits, least - 1, jobs)
    else:
        assert plan.peak_mb <= memory and 1 <= plan.in_flight <= jobs


def test_more_memory_never_makes_smaller_work():
    canvas = Size(14_400, 21_600)
    plans = [solve(canvas, 12, 16, memory, 2) for memory in (600, 1000, 2000, 4000)]
    areas = [plan.band_px * plan.block_px * plan.in_flight for plan in plans]
    assert areas == sorted(areas)


def test_the_default_budget_keeps_two_threads_busy_at_311_megapixels():
    plan = solve(Size(14_400, 21_600), 12, 16, 1000, 2, levels=5)
    assert plan.in_flight == 2 and plan.block_px >= 384


def test_the_stop_says_how_much_memory_works():
    with pytest.raises(UsageError, match=r"180 MB of memory is too little.*The smallest that works is \d+ MB"):
        solve(Size(14_400, 21_600), 12, 16, 180, 2)


@pytest.mark.parametrize(("ppi", "levels"), [(72.0, 3), (150.0, 3), (300.0, 4), (600.0, 5), (1200.0, 6), (4800.0, 6)])
def test_the_blend_is_about_as_wide_on_paper_at_every_resolution(ppi, levels):
    assert blend_levels(ppi) == levels


@given(
    x=st.integers(-5000, 5000),
    y=st.integers(-5000, 5000),
    width=st.integers(1, 3000),
    height=st.integers(1, 3000),
    levels=st.integers(0, 6),
)
def test_aligned_windows_hold_the_window_and_lie_on_the_grid(x, y, width, height, levels):
    window = Window(x, y, width, height)
    found = pyramid.aligned(window, levels)
    assert found.intersection(window) == window
    assert all(v % 2**levels == 0 for v in (found.x0_px, found.y0_px, found.x1_px, found.y1_px))
    assert found.width_px < width + 2 * 2**levels
