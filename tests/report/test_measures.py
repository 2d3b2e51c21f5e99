"""Figures along seams, against other ways to work them out."""

from __future__ import annotations

import math

import numpy as np
import pytest

from stitch.model.seams import SeamLine
from stitch.report import measures
from tests.report.summaries import Run


def along(line: SeamLine) -> np.ndarray:
    points = np.array(line.points_px)
    return np.concatenate([[0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])


@pytest.mark.parametrize("seed", range(8))
def test_the_mean_step_is_the_integral_over_the_length(seed: int) -> None:
    """Weights of half the way to each neighbour make the mean the trapezoidal rule."""
    for line in Run(seed).seams():
        way = along(line)
        integral = np.trapezoid(line.step_de00, way) / way[-1]
        assert measures.seam_figures([line]).mean_step_de00 == pytest.approx(integral)


@pytest.mark.parametrize("seed", range(8))
def test_weights_add_up_to_the_length(seed: int) -> None:
    for line in Run(seed).seams():
        assert measures.point_weights_mm(line).sum() == pytest.approx(line.length_mm)


@pytest.mark.parametrize("seed", range(8))
def test_95_of_100_mm_are_at_or_below_the_p95(seed: int) -> None:
    lines = Run(seed).seams()
    weights = np.concatenate([measures.point_weights_mm(line) for line in lines])
    steps = np.concatenate([line.step_de00 for line in lines])
    p95 = measures.seam_figures(lines).p95_step_de00
    assert p95 is not None
    assert weights[steps <= p95].sum() >= 0.95 * weights.sum() * (1 - 1e-9)
    assert weights[steps < p95].sum() < 0.95 * weights.sum()


def line_of(steps: list[float], shifts: list[float | None], xs: list[float], length_mm: float = 10.0) -> SeamLine:
    return SeamLine("a", "b", tuple((x, 0.0) for x in xs), tuple(steps), tuple(shifts), length_mm)


def test_the_sharper_scan_counts_whichever_it_is() -> None:
    line = SeamLine("a", "b", ((0, 0), (1, 0), (2, 0), (3, 0)), (0.1,) * 4, (None,) * 4, 3.0, (0.8, 1.1, None, 1.0))
    figures = measures.seam_figures([line])
    assert figures.worst_sharpness_change_percent == pytest.approx(25.0)
    assert figures.median_sharpness_change_percent == pytest.approx(10.0)
    assert measures.seam_figures([line_of([0.1, 0.1], [None, None], [0, 1])]).worst_sharpness_change_percent is None


def test_a_worked_seam() -> None:
    """Points at 0, 1, 3 and 10 px speak for 0.5, 1.5, 4.5 and 3.5 of 10 px."""
    figures = measures.seam_figures([line_of([0.2, 2.0, 0.4, 1.0], [None, 0.3, 0.1, None], [0, 1, 3, 10])])
    assert figures.length_mm == 10.0
    assert figures.mean_step_de00 == pytest.approx((0.5 * 0.2 + 1.5 * 2.0 + 4.5 * 0.4 + 3.5 * 1.0) / 10)
    assert figures.worst_step_de00 == 2.0 and figures.p95_step_de00 == 2.0
    assert figures.quiet_fraction == pytest.approx(0.5)  # a step of exactly 1 is one that may be seen
    assert figures.misregistration_measured_fraction == pytest.approx(0.6)
    assert figures.median_misregistration_px == 0.1 and figures.worst_misregistration_px == 0.3


def test_points_set_close_together_do_not_count_twice() -> None:
    sparse = line_of([0.0, 1.0], [None, None], [0, 10])
    dense = line_of([*[0.0] * 50, 1.0], [None] * 51, [*np.linspace(0, 0.01, 50), 10])
    assert measures.seam_figures([sparse]).mean_step_de00 == pytest.approx(0.5)
    assert measures.seam_figures([dense]).mean_step_de00 == pytest.approx(0.5, abs=1e-3)


def test_nothing_measured_is_none_and_not_nought() -> None:
    for lines in ([], [line_of([math.nan, math.nan], [None, None], [0, 5])]):
        figures = measures.seam_figures(lines)
        assert figures.mean_step_de00 is None and figures.p95_step_de00 is None and figures.worst_step_de00 is None
        assert figures.quiet_fraction is None and figures.median_misregistration_px is None


def test_steps_that_are_no_numbers_are_left_out() -> None:
    figures = measures.seam_figures([line_of([0.5, math.nan, 0.5], [0.1, None, 0.1], [0, 5, 10])])
    assert figures.mean_step_de00 == 0.5 and figures.quiet_fraction == 1.0


def test_one_point_speaks_for_the_whole_seam() -> None:
    assert measures.seam_figures([line_of([0.7], [0.2], [4])]).mean_step_de00 == pytest.approx(0.7)


def test_scans_hang_together_by_links_that_hold() -> None:
    run = Run(3, columns=3, rows=1)
    holds, weak = run.link((0, 2)), run.link((0, 1), is_weak=True)
    one, two, three = run.names
    assert measures.groups_of(run.names, (holds, weak)) == ((one, three), (two,))
    assert measures.groups_of(run.names, ()) == ((one,), (two,), (three,))
    assert measures.groups_of(run.names, (holds, run.link((1, 2)))) == ((one, two, three),)
