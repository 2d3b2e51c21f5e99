"""A plan beside the scans: a hint that names what is missing and is contradicted in words, and moves nothing."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from stitch.model.findings import Severity
from stitch.model.plan import Bed, PlannedScan, ScanPlan, Turn
from stitch.model.report import RunSummary
from stitch.pipeline import join
from stitch.pipeline.plan_hint import Hint, find_plan, findings_of_join
from stitch.plan.file import text_of
from tests.pipeline.jobs import PPI, TILE, picture, request, tiles, write_scans

MM = 25.4 / PPI
WHOLE = (740, 810)


def planned() -> ScanPlan:
    """The plan of the four tiles, each under its file's name."""
    scans = []
    for number, name in enumerate(("A1", "A2", "B1", "B2"), 1):
        row, column = "AB".index(name[0]), int(name[1]) - 1
        x, y = column * (WHOLE[0] - TILE[0]) * MM, row * (WHOLE[1] - TILE[1]) * MM
        width, height = (n * MM for n in TILE)
        scans.append(
            PlannedScan(
                number, f"{name}.tif", row + 1, column + 1, x, y, width, height, 0, 0.0, 0.0, needs_lid_off=False,
                shares=(),
            )
        )  # fmt: skip
    width, height = (n * MM for n in WHOLE)
    bed = Bed(TILE[0] * MM, TILE[1] * MM)
    return ScanPlan(width, height, 0.0, bed, Turn.NONE, float(PPI), 16, 10.0, 10.0, 2, 2, tuple(scans))


@pytest.fixture
def scans(tmp_path: Path) -> Path:
    return write_scans(tmp_path / "scans", tiles(picture(62)))


def joined(scans: Path, plan: ScanPlan | None) -> RunSummary:
    """A join of a fresh job, with the plan put beside the scans."""
    shutil.rmtree(scans.with_name("scans-joined"), ignore_errors=True)
    beside = scans.with_name("plan.json")
    beside.unlink(missing_ok=True)
    if plan is not None:
        beside.write_text(text_of(plan), encoding="utf-8")
    return join(request(scans))


def by_code(summary: RunSummary) -> dict[str, tuple[Severity, str]]:
    return {one.code: (one.severity, one.message) for one in summary.findings}


def told(plan: ScanPlan, alone: RunSummary) -> dict[str, tuple[Severity, str]]:
    """What a plan adds to a join that was made without it."""
    assert alone.layout is not None
    hint = Hint(plan, Path("plan.json"), is_named=False)
    found = findings_of_join(hint, alone.scans, alone.layout, None, alone.settings)
    return {one.code: (one.severity, one.message) for one in found}


def test_a_plan_moves_nothing_even_a_wrong_one(scans: Path) -> None:
    plan = planned()
    first, second, *rest = plan.scans
    swapped = replace(first, file_name="A2.tif"), replace(second, file_name="A1.tif", turn_deg=180), *rest
    alone, wrong = joined(scans, None), joined(scans, replace(plan, scans=swapped, dpi=600.0))
    assert alone.layout is not None and alone.layout == wrong.layout
    assert alone.exit_code == wrong.exit_code == 0
    assert "plan-read" not in by_code(alone)
    said = by_code(wrong)
    assert said["place-unlike-plan"][1].endswith(
        "A1 shows row 1, the first from the left, not row 1, the second from the left and "
        "A2 shows row 1, the second from the left, not row 1, the first from the left."
    )
    assert said["turned"] == (Severity.WARNING, "A2 lay turned half around against the plan.")
    assert said["unlike-plan"][1] == "The scans have 200 dpi instead of 600, unlike the plan."
    assert told(plan, alone) == {
        "plan-read": (
            Severity.NOTE,
            "plan.json was read as a hint: 4 of 4 pieces lie where it has them. Its size of the painting, "
            "94 × 102.9 mm, was not taken for a tape measure.",
        )
    }
    elsewhere = tuple(replace(p, x_mm=9 * p.x_mm, y_mm=-p.y_mm) for p in plan.scans)
    assert {code: one[0] for code, one in told(replace(plan, scans=elsewhere), alone).items()} == {
        "other-plan": Severity.WARNING
    }
    slid = replace(second, x_mm=second.x_mm + 15.5), replace(first, x_mm=first.x_mm + 0.5), *rest
    assert told(replace(plan, scans=slid), alone)["slipped"][1].startswith("A2 (1")


def test_what_the_plan_has_and_the_scans_lack_is_named_by_its_place(scans: Path) -> None:
    (scans / "B2.tif").unlink()
    stopped = joined(scans, planned())
    assert stopped.exit_code == 4 and stopped.master is None
    assert (
        "By the plan: Missing: row 2, the second from the left (scan 4, B2.tif)." in by_code(stopped)["not-placed"][1]
    )
    (scans / "B1.tif").unlink()
    row = joined(scans, planned())
    assert row.exit_code == 1
    assert by_code(row)["missing"] == (
        Severity.FAILED,
        "Missing: row 2, the first from the left (scan 3, B1.tif); row 2, the second from the left (scan 4, B2.tif).",
    )


def test_a_plan_is_found_beside_the_scans_and_left_away_when_asked(scans: Path) -> None:
    assert find_plan(None, [scans]) is None
    (scans.parent / "plan").mkdir()
    (scans.parent / "plan" / "plan.json").write_text(text_of(planned()), encoding="utf-8")
    (scans / "plan.json").write_text("{}")  # another program's
    found = find_plan(None, [scans])
    assert found is not None and not found.is_named and found.path.parent.name == "plan"
    assert find_plan(None, [scans / "A1.tif"]) == found
    assert find_plan("", [scans]) is None
