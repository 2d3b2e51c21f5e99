"""`stitch plan`: what is written and said, and a sentence for what makes no sense."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import Result

from stitch.pipeline import speed
from stitch.plan.file import load_plan

Call = Callable[..., Result]
USUAL = {"--painting": "610x914mm", "--bed": "216x297mm", "--dpi": "600"}


@pytest.fixture(autouse=True)
def _hasty(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(speed, "WARP_S", 0.02)
    monkeypatch.setattr(speed, "WRITE_S", 0.02)


def planned(stitch: Call, out: Path, **changes: str | None) -> Result:
    options = {**USUAL, "--out": str(out), **{f"--{key.replace('_', '-')}": value for key, value in changes.items()}}
    return stitch("plan", *(word for pair in options.items() if pair[1] is not None for word in pair))


def test_a_plan_and_its_sheet_are_written_and_told(stitch: Call, tmp_path: Path) -> None:
    done = planned(stitch, tmp_path / "plan", title="Harbour at dusk")
    assert done.exit_code == 0, done.stderr
    lines = done.stdout.splitlines()
    assert len([line for line in lines if line.startswith("scan-")]) == 16
    assert [Path(line).name for line in lines[-2:]] == ["plan.json", "placement-sheet.pdf"]
    assert load_plan(tmp_path / "plan" / "plan.json").title == "Harbour at dusk"
    assert (tmp_path / "plan" / "placement-sheet.pdf").read_bytes().startswith(b"%PDF")
    assert "classic TIFF" in done.stderr and "min here" in done.stderr
    assert planned(stitch, tmp_path / "plan", dpi="1200").exit_code == 0  # its own files are replaced
    assert load_plan(tmp_path / "plan" / "plan.json").dpi == 1200


def test_bigtiff_is_told_beforehand(stitch: Call, tmp_path: Path) -> None:
    assert "BigTIFF" in planned(stitch, tmp_path / "plan", dpi="1200").stderr


def test_a_print_decides_the_resolution_or_is_held_against_it(stitch: Call, tmp_path: Path) -> None:
    done = planned(stitch, tmp_path / "plan", dpi=None, print="1016x1524mm@300")
    assert load_plan(tmp_path / "plan" / "plan.json").dpi == 600
    assert "needs scans at 500 dpi: 600 dpi are enough" in done.stderr
    assert "NOT enough" in planned(stitch, tmp_path / "plan", dpi="300", print="1016x1524mm@300").stderr


def test_sheets_by_name_and_sizes_in_inches(stitch: Call, tmp_path: Path) -> None:
    for painting, size in {
        "A2": (420, 594),
        "a2 landscape": (594, 420),
        "24 1/2 x 36in": (622.3, 914.4),
        "tabloid": (279.4, 431.8),
    }.items():
        assert planned(stitch, tmp_path / "plan", painting=painting).exit_code == 0
        plan = load_plan(tmp_path / "plan" / "plan.json")
        assert (plan.painting_width_mm, plan.painting_height_mm) == pytest.approx(size)


def test_too_little_overlap_is_made_more_and_that_is_said(stitch: Call, tmp_path: Path) -> None:
    done = planned(stitch, tmp_path / "plan", overlap="5%")
    assert "made larger" in done.stderr
    plan = load_plan(tmp_path / "plan" / "plan.json")
    assert min(plan.least_overlap_x_mm, plan.least_overlap_y_mm) >= 36


def test_the_studio_file_gives_unit_and_resolution(stitch: Call, tmp_path: Path) -> None:
    (tmp_path / "studio.toml").write_text('unit = "cm"\nscan-dpi = 400\n')
    done = planned(stitch, tmp_path / "plan", painting="61x91", dpi=None, studio=str(tmp_path / "studio.toml"))
    assert done.exit_code == 0, done.stderr
    plan = load_plan(tmp_path / "plan" / "plan.json")
    assert (plan.painting_width_mm, plan.painting_height_mm, plan.dpi) == (610, 910, 400)


def test_edges_flush_with_the_bed_are_told(stitch: Call, tmp_path: Path) -> None:
    assert "flush with" in planned(stitch, tmp_path / "plan", painting="A3", bed="A4").stderr


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"bed": "700x1000mm"}, "fits on the bed whole"),
        ({"overlap": "100%"}, "cannot share 100 %"),
        ({"overlap": "-5%"}, "cannot share -5 %"),
        ({"overlap": "210mm"}, "would have to share"),
        ({"painting": "-610x914mm"}, "--painting"),
        ({"painting": "610mm"}, "is no size"),
        ({"painting": "610x914"}, "has no unit"),
        ({"painting": "19x19m"}, "not a unit"),
        ({"painting": "19000x19000mm"}, "scans; nobody"),
        ({"bed": "5x5mm"}, "cannot be the glass"),
        ({"bed_margin": "120mm"}, "leaves nothing of the bed"),
        ({"paper_margin": "400mm"}, "leaves no painting"),
        ({"paper_margin": "200mm"}, "next to no paint"),
        ({"dpi": "0"}, "not a resolution"),
        ({"dpi": None, "print": "20x30m@300"}, "not a unit"),
        ({"dpi": None, "print": "15000x20000mm@300"}, "flatbeds resolve no more"),
        ({"print": "1016x1524mm@fine"}, "is not a resolution"),
        ({"bits": "12"}, "12 bits"),
    ],
)
def test_nonsense_gets_a_sentence(stitch: Call, tmp_path: Path, changes: dict[str, str | None], said: str) -> None:
    done = planned(stitch, tmp_path / "plan", **changes)
    assert done.exit_code == 2
    assert said in done.stderr and "Traceback" not in done.stderr
    assert not (tmp_path / "plan").exists()


def test_a_strangers_file_is_not_written_over(stitch: Call, tmp_path: Path) -> None:
    (tmp_path / "plan.json").write_text("{}")
    done = planned(stitch, tmp_path)
    assert done.exit_code == 5 and "did not write" in done.stderr
    assert (tmp_path / "plan.json").read_text() == "{}"
