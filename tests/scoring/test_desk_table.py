"""The desk table: every case has its bar, and groups of rows are judged by it."""

from __future__ import annotations

import copy
from dataclasses import replace
from pathlib import Path

import pytest

from fixtures.flatbed.cases import CASES
from fixtures.scoring import desk, table
from fixtures.scoring.job_files import FinishedJob
from fixtures.scoring.layout_score import LayoutScore, PairScore
from fixtures.scoring.stats import Spread

ROW = {
    "case": "desk-wobble",
    "seed": 1,
    "exit_code": 0,
    "passed": True,
    "faults": [],
    "silently_wrong": False,
    "is_named": True,
    "layout": {"local_misregistration_px": {"median": 0.01, "p99": 0.05, "max": 0.09}},
    "seams": {"step_px": {"max": 0.12, "count": 40}, "measured_fraction": 0.9},
    "bed": {"source": "unknown", "anisotropy_error_percent": -0.15},
    "seconds": {"join": 8.0},
}


def row(**changed) -> dict:
    return {**copy.deepcopy(ROW), **changed}


def test_every_desk_case_has_a_bar_that_asks_what_the_case_expects() -> None:
    assert set(desk.DESK) == {name for name in CASES if name.startswith("desk-")}
    for name, bar in desk.DESK.items():
        if bar is desk.REFUSE:
            assert CASES[name].expected == "refused"
        else:
            assert CASES[name].expected == ("solved" if bar.solved_share == 1.0 else "either")
            assert bar.targets.max_px == pytest.approx(3 * bar.targets.p99_px)
            assert bar.targets.step_px in (0.5, 1.0)


def test_a_case_must_be_solved_as_often_as_its_bar_says() -> None:
    assert desk.is_met([row(seed=k) for k in range(3)])
    refused = row(seed=3, exit_code=4, layout=None, seams=None, bed=None)
    assert not desk.is_met([row(), refused])
    assert desk.is_met([row(case="desk-pencil-half-180"), {**refused, "case": "desk-pencil-half-180"}])
    many = [row(case="desk-everything", seed=k) for k in range(19)]
    assert desk.is_met([*many, {**refused, "case": "desk-everything"}])
    assert not desk.is_met([*many[:18], {**refused, "case": "desk-everything"}])


def test_nothing_silently_wrong_is_let_through() -> None:
    assert not desk.is_met([row(), row(seed=2, silently_wrong=True)])


def test_the_summary_tells_the_worst_figures_and_the_totals() -> None:
    worse = row(seed=2, exit_code=1, passed=False, faults=["exit 1"])
    worse["layout"]["local_misregistration_px"]["p99"] = 0.11
    text = desk.summary([row(), worse])
    line = next(text for text in text.splitlines() if text.startswith("wobble"))
    assert "0.110/0.12" in line and "0.12 (90 %)" in line and line.endswith("NOT OK")
    assert "exit 1 on 50.0 %" in text
    assert "silently wrong 0" in text
    hidden = row(case="desk-scale-half-180")
    assert "not observable" in desk.summary([hidden])
    found = row(case="desk-scale-column-90-flat", bed={"source": "turned-pieces", "anisotropy_error_percent": -0.0042})
    assert "0.0042 %" in desk.summary([found])


def test_the_shape_of_the_bed_is_asked_for_where_it_shows() -> None:
    found = table.BedScore("turned-pieces", 0.147, -0.003, 0.0)
    hidden = table.BedScore("unknown", 0.0, -0.15, 0.0)
    shown = desk.DESK["desk-scale-column-90-flat"].targets
    not_shown = desk.DESK["desk-scale-half-180"].targets
    assert table._bed_faults(found, shown) == []
    assert table._bed_faults(hidden, not_shown) == []
    assert table._bed_faults(hidden, shown) == ["the bed's shape was not found"]
    assert table._bed_faults(replace(found, anisotropy_error_percent=0.006), shown) != []
    assert table._bed_faults(found, not_shown) != []


def scores(p99_px: float) -> table.Scores:
    """Two scans whose overlap is off by that much."""
    gap = Spread(p99_px / 2, p99_px, p99_px, p99_px, 50)
    layout = LayoutScore(gap, (PairScore("left", "right", gap),), gap.median, gap, gap, 0.0, 0.0, (), (), ())
    return table.Scores(layout, None, ())


def test_a_failed_check_names_the_fault_when_it_names_a_scan_that_is_off() -> None:
    def job(*failures: str) -> FinishedJob:
        return FinishedJob(Path("job"), None, None, (), failures)

    assert table.names_the_fault(job("left and middle do not fit"), scores(3.0))
    assert not table.names_the_fault(job("middle is dark"), scores(3.0))
    assert not table.names_the_fault(job(), scores(3.0))
    assert not table.names_the_fault(job("left is dark"), scores(0.1))
