"""The table of seams: rows are judged by their case, kept, and an outside yardstick is scored alike."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from fixtures.flatbed.case import Case
from fixtures.flatbed.seam_cases import DRIFT
from fixtures.scoring import seam_against, seam_table
from fixtures.scoring.yardstick import YARDSTICKS
from tests.scoring.test_table import faultless, refusing, script

SMALL = Case("small-drift", width_mm=70.0, height_mm=84.0, dpi=100.0, seed=5, margin_mm=6.0)
FINE = {
    "colour": {
        "tone_mean_de00": 0.5,
        "tone_de00": {"p95": 1.5},
        "after_gain_mean_de00": 0.4,
        "after_gain_de00": {"p95": 1.0},
        "step_de00": {"p95": 0.1, "max": 0.9},
    },
    "detail": {"sharpness": 1.02, "noise": 0.92},
    "dust": {"absent_fraction": 0.95},
    "clipped_px": 0,
    "changed_px": 0,
}


def test_a_faultless_row_passes_and_the_yardstick_is_scored_alike(tmp_path: Path):
    others = {"channels, nearest": YARDSTICKS["channels, nearest"]}
    row = seam_table.run_row(replace(SMALL, **DRIFT), tmp_path, faultless, others)
    assert row["faults"] == []
    assert set(row["scores"]) == {"stitch", "channels, nearest"}
    ours, other = row["scores"]["stitch"]["colour"], row["scores"]["channels, nearest"]["colour"]
    assert ours["tone_mean_de00"] < 0.1
    assert ours["step_de00"]["p95"] < 0.1
    assert other["step_de00"]["count"] > 100
    assert other["step_de00"]["p95"] > ours["step_de00"]["p95"]
    json.dumps(row, allow_nan=False)
    text = seam_table.summary([row])
    assert "passed 1 of 1" in text
    assert "channels, nearest" in text


def test_a_refusal_is_no_pass(tmp_path: Path):
    row = seam_table.run_row(SMALL, tmp_path, refusing, YARDSTICKS)
    assert row["faults"] == ["exit 4"]
    assert row["scores"] == {}
    assert "NOT OK  small-drift seed 5: exit 4" in seam_table.summary([row])


@pytest.mark.parametrize(
    ("case", "part", "value", "named"),
    [
        ("a-drift", ("colour", "tone_mean_de00"), 0.9, "tone mean"),
        ("a-drift", ("colour", "tone_de00", "p95"), 1.7, "tone p95"),
        ("a-drift", ("colour", "step_de00", "p95"), 0.6, "step p95"),
        ("a-drift", ("colour", "step_de00", "max"), 1.1, "step worst"),
        ("a-still", ("colour", "step_de00", "p95"), 0.2, "no drift"),
        ("a-drift", ("detail", "sharpness"), 0.96, "sharpness"),
        ("a-still", ("detail", "sharpness"), 1.04, "sharpness"),
        ("a-drift", ("detail", "noise"), 0.85, "noise"),
        ("a-still", ("detail", "noise"), 1.15, "noise"),
        ("a-dust", ("dust", "absent_fraction"), 0.89, "dust"),
        ("a-still", ("clipped_px",), 1, "clipped"),
        ("a-copies", ("changed_px",), 1, "changed"),
    ],
)
def test_every_measure_is_held_to_its_limits(case: str, part: tuple[str, ...], value: float, named: str):
    assert seam_table.faults_of(case, FINE) == []
    score: Any = json.loads(json.dumps(FINE))
    place = score
    for key in part[:-1]:
        place = place[key]
    place[part[-1]] = value
    (fault,) = seam_table.faults_of(case, score)
    assert named in fault


def test_what_cannot_be_told_is_no_fault_and_shown_as_such():
    score = {**FINE, "detail": None, "dust": None, "changed_px": None}
    assert seam_table.faults_of("a-drift", score) == []


def test_the_tool_is_held_against_each_yardstick_and_rows_it_is_behind_on_are_named():
    def row(seed: int, ours: float, other: float, sharp: tuple[float, float]) -> dict[str, Any]:
        scores: Any = {name: json.loads(json.dumps(FINE)) for name in ("stitch", "other")}
        scores["stitch"]["colour"]["step_de00"]["p95"], scores["other"]["colour"]["step_de00"]["p95"] = ours, other
        scores["stitch"]["detail"]["sharpness"], scores["other"]["detail"]["sharpness"] = sharp
        scores["other"]["detail"]["noise"] = None
        return {"case": "a-still", "seed": seed, "scores": scores}

    rows = [
        row(1, 0.1, 0.2, (0.99, 1.02)),
        row(2, 0.1, 0.1004, (0.97, 1.01)),
        row(3, 0.4, 0.1, (1.0, 0.96)),
        {"case": "a-still", "seed": 4, "scores": {}},
    ]
    said = seam_against.against(rows).splitlines()
    step = (
        "step p95 ΔE, no drift, other: ours ahead on 1 of 3 rows, level on 1, behind on 1: a-still seed 3 (0.40 : 0.10)"
    )
    assert step in said
    assert "sharpness at seams, other: ours ahead on 2 of 3 rows, behind on 1: a-still seed 2 (0.970 : 1.010)" in said
    assert "all together: ours ahead on 3 of 9 rows, level on 4, behind on 2" in said
    assert "of the 2 behind, 1 are inside the tool's own targets" in said
    assert not any("noise" in line or "dust" in line for line in said)
    assert seam_against.against([{**rows[0], "scores": {"stitch": FINE}}]) == ""


def test_rows_are_kept_and_a_second_run_goes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys):
    table = script("seam_table")
    made: list[tuple[str, int]] = []

    def row(case: Case, *_: object) -> dict[str, Any]:
        made.append((case.name, case.seed))
        faults = ["step p95 ΔE 0.9"] if case.seed == 2 else []
        common = {"case": case.name, "seed": case.seed, "dpi": case.dpi, "quick": False, "exit_code": 0}
        return {**common, "passed": not faults, "faults": faults, "scores": {"stitch": FINE}, "seconds": {"join": 1.0}}

    monkeypatch.setattr(seam_table, "run_row", row)
    asked = ["--cases", "seams-oil-drift,seams-copies", "--results", str(tmp_path / "rows.jsonl")]
    assert table.main([*asked, "--seeds", "1"]) == 0
    assert table.main([*asked, "--seeds", "1-2"]) == 1
    assert sorted(made) == [("seams-copies", 1), ("seams-oil-drift", 1), ("seams-oil-drift", 2)]
    said = capsys.readouterr().out
    assert "2 of 3 rows are kept from earlier runs" in said
    assert "NOT OK  seams-oil-drift seed 2: step p95 ΔE 0.9" in said


@pytest.mark.slow
def test_the_table_itself(tmp_path: Path, capsys):
    table = script("seam_table")
    asked = ["--cases", "seams-watercolour-still,seams-copies", "--seeds", "1", "--yardstick"]
    assert table.main([*asked, "--results", str(tmp_path / "rows.jsonl")]) == 0
    said = capsys.readouterr().out
    assert "passed 2 of 2" in said
    assert "step p95 ΔE, no drift, blocks, graph cut: ours" in said
    assert "8-bit codes" in said
