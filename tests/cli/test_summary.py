"""The end of a run: words on stderr, paths on stdout."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import Result

from stitch.errors import RegisterError
from stitch.model.findings import Finding, Severity
from stitch.model.geometry import Size
from stitch.model.layout import Layout, LeftOut
from stitch.model.master import MasterRecord, MasterSpec
from stitch.model.report import Timing
from stitch.model.size import Edge, SizeCheck, SizeReading

Stitch = Callable[..., Result]
SPEC = MasterSpec(Size(14_400, 21_600), 16, 600.0, None, "", "", "", (), ())
RECORD = MasterRecord("master.tif", "a" * 64, 1, False, ())
CHECK = SizeCheck(
    600.0,
    (Edge("left", False, None, None, None, "the scan ends inside the painting"),),
    (
        SizeReading("width top", 611.94, 0.2, 610.0, 2.5, True),
        SizeReading("height left", 919.0, 0.2, 914.0, 3.3, False),
        SizeReading("diagonal /", 1100.0, 0.3, None, None, None),
    ),
    0.12,
    True,
    0.31,
    ("Scale: within the 4-star figure of ±1 %.",),
)


@pytest.fixture
def job(tmp_path: Path) -> Path:
    root = tmp_path / "scans-joined"
    root.mkdir()
    for name in ("master.tif", "seam-map.png", "report.html"):
        (root / name).write_text("")
    return root


def test_the_paths_are_all_that_stdout_holds(stitch: Stitch, pipeline: Any, scans: Path, job: Path) -> None:
    pipeline.on_join = lambda request: pipeline.summary(master=RECORD, master_spec=SPEC)
    result = stitch("join", scans)
    assert result.exit_code == 0
    assert result.stdout.splitlines() == [str(job / name) for name in ("master.tif", "seam-map.png", "report.html")]
    assert "14400 × 21600 px at 600 ppi (609.6 × 914.4 mm, " in result.stderr
    assert result.stderr.endswith("Done.\n")


def test_scans_left_out_are_not_counted_as_joined(stitch: Stitch, pipeline: Any, scans: Path, job: Path) -> None:
    layout = Layout(SPEC.size, 600.0, (), (), False, 0, left_out=(LeftOut("a", "b", 0.7),))
    pipeline.on_join = lambda request: pipeline.summary(
        master=RECORD, master_spec=SPEC, layout=layout, scans=("a", "b", "c")
    )
    assert "2 scans joined: " in stitch("join", scans).stderr


def test_a_master_of_an_earlier_run_is_not_passed_off_as_this_ones(
    stitch: Stitch, pipeline: Any, scans: Path, job: Path
) -> None:
    pipeline.on_join = lambda request: pipeline.summary(exit_code=4, next_command="stitch join scans --only 'm*'")
    result = stitch("join", scans)
    assert result.exit_code == 4
    assert result.stdout.splitlines() == [str(job / "report.html")]
    assert "no master was written by this run" in result.stderr
    assert "): stitch join scans --only 'm*'" in result.stderr


def test_a_stop_that_leaves_a_report_prints_its_path(stitch: Stitch, pipeline: Any, scans: Path, job: Path) -> None:
    def stop(request: Any) -> Any:
        raise RegisterError("Scan d fits nowhere.")

    pipeline.on_join = stop
    result = stitch("join", scans)
    assert (result.exit_code, result.stdout) == (4, f"{job / 'report.html'}\n")


def test_findings_come_together_with_advice_the_gravest_last(stitch: Stitch, pipeline: Any, scans: Path) -> None:
    found = (
        Finding("d", Severity.STOP, "Scan d [x] is of another painting.", "Leave it out with --skip."),
        Finding("a", Severity.NOTE, "Alpha dropped."),
        Finding("c", Severity.FAILED, "Size is off."),
        Finding("b", Severity.WARNING, "Highlights clipped in b.", "Scan darker."),
    )
    pipeline.on_join = lambda request: pipeline.summary(findings=found, exit_code=3)
    result = stitch("join", scans)
    assert result.exit_code == 3
    assert result.stderr.splitlines()[:6] == [
        "Note: Alpha dropped.",
        "Warning: Highlights clipped in b.",
        "  Scan darker.",
        "Check failed: Size is off.",
        "Cannot go on: Scan d [x] is of another painting.",
        "  Leave it out with --skip.",
    ]


def test_a_failed_check_is_said_at_the_end(stitch: Stitch, pipeline: Any, scans: Path) -> None:
    pipeline.on_join = lambda request: pipeline.summary(master=RECORD, master_spec=SPEC, size_check=CHECK, exit_code=1)
    result = stitch("join", scans)
    assert result.exit_code == 1
    assert "width top: 611.94 mm (± 0.20), tape 610.0 mm: good." in result.stderr
    assert "height left: 919.00 mm (± 0.20), tape 914.0 mm: NOT within the tolerance." in result.stderr
    assert "diagonal" not in result.stderr
    assert "a check failed" in result.stderr


def test_the_next_command_says_where_it_is_to_be_typed(
    stitch: Stitch, pipeline: Any, scans: Path, job: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pipeline.on_join = lambda request: pipeline.summary(exit_code=4, next_command="stitch join scans")
    monkeypatch.chdir(job.parent)
    assert "\nNext: stitch join scans\n" in stitch("join", scans).stderr
    monkeypatch.chdir("/")
    assert f"\nNext (in the folder {job.parent.resolve()}): stitch join scans\n" in stitch("join", scans).stderr


def test_a_size_check_that_is_off_by_nothing_says_so_without_a_minus(
    stitch: Stitch, pipeline: Any, tmp_path: Path
) -> None:
    (tmp_path / "m.tif").write_text("")
    hidden = Edge("top", False, None, None, None, "not in view: no background beside it")
    reading = SizeReading("width top", 609.99, 0.2, 610.0, 2.5, True)
    pipeline.on_size = lambda: SizeCheck(600.0, (hidden,), (reading,), None, False, None, ())
    result = stitch("size", tmp_path / "m.tif", "--width", "610mm")
    assert "+0.0" in result.stdout and "-0.0" not in result.stdout
    assert "The top edge is not in view: no background beside it." in result.stderr


def test_timings_are_shown_when_asked_for(stitch: Stitch, pipeline: Any, scans: Path) -> None:
    timings = (
        Timing("register", 12.34, False),
        Timing("tone", 0.0, True),
        Timing("master", 5.0, False, 9.5, 1_230_000_000, 0),
    )
    pipeline.on_join = lambda request: pipeline.summary(timings=timings)
    assert "register" not in stitch("join", scans).stderr
    shown = stitch("join", scans, "--timings").stderr
    assert "register        12.3 s\n" in shown
    assert "master           5.0 s      9.5 s of cores    1.23 GB read    0.00 GB written\n" in shown
    assert "kept from an earlier run" in shown


def test_size_prints_a_table_and_ends_with_the_verdict(stitch: Stitch, pipeline: Any, tmp_path: Path) -> None:
    (tmp_path / "m.tif").write_text("")
    pipeline.on_size = lambda: CHECK
    words = ["--width", "610mm", "--height", "36in", "--measured", "paint", "--tolerance", "2mm"]
    result = stitch("size", tmp_path / "m.tif", *words)
    assert result.exit_code == 1
    assert result.stdout.splitlines() == [
        "                 measured mm      in   tape mm      in  off mm",
        "width top              611.9   24.09     610.0   24.02    +1.9  good",
        "height left            919.0   36.18     914.0   35.98    +5.0  NOT GOOD",
        "diagonal /            1100.0   43.31",
    ]
    for told in ("left edge is not in view", "other way round", "0.12°", "+0.31 %", "4-star figure"):
        assert told in result.stderr
    (call,) = pipeline.size_calls
    del call["progress"]
    assert call == {
        "path": tmp_path / "m.tif",
        "width_mm": 610.0,
        "height_mm": pytest.approx(914.4),
        "measured": "paint",
        "tolerance_mm": 2.0,
    }


@pytest.mark.parametrize(("is_ok", "code"), [(True, 0), (False, 1), (None, 1)])
def test_size_that_is_right_wrong_or_not_to_be_checked(
    stitch: Stitch, pipeline: Any, tmp_path: Path, is_ok: bool | None, code: int
) -> None:
    (tmp_path / "m.tif").write_text("")
    reading = SizeReading("width top", 610.0, 0.2, 610.0, 2.5, is_ok)
    pipeline.on_size = lambda: SizeCheck(600.0, (), (reading,), None, False, None, ())
    assert stitch("size", tmp_path / "m.tif", "--width", "61", "--unit", "cm").exit_code == code


def test_size_measures_without_a_tape_too(stitch: Stitch, pipeline: Any, tmp_path: Path) -> None:
    (tmp_path / "m.tif").write_text("")
    reading = SizeReading("width top", 610.0, 0.2, None, None, None)
    pipeline.on_size = lambda: SizeCheck(600.0, (), (reading,), None, False, None, ())
    assert stitch("size", tmp_path / "m.tif").exit_code == 0


@pytest.mark.parametrize("words", [["gone.tif"], [".", "--width", "610mm"], []])
def test_size_without_a_master(stitch: Stitch, pipeline: Any, words: list[str]) -> None:
    assert stitch("size", *words).exit_code == 2
    assert pipeline.size_calls == []


def test_verify(stitch: Stitch, tmp_path: Path) -> None:
    assert stitch("verify", tmp_path / "gone").exit_code == 2
    assert stitch("verify", tmp_path).exit_code == 2
    empty = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"  # of no bytes, FIPS 180-4 tools agree
    (tmp_path / "a b.tif").write_text("")
    (tmp_path / "checksums.sha256").write_text(f"{empty}  a b.tif\n")
    good = stitch("verify", tmp_path)
    assert (good.exit_code, good.stdout) == (0, "OK         a b.tif\n")
    (tmp_path / "a b.tif").write_text("x")
    bad = stitch("verify", tmp_path)
    assert (bad.exit_code, bad.stdout) == (1, "CHANGED    a b.tif\n")
    assert "1 of 1 files are not as they were" in bad.stderr
    (tmp_path / "checksums.sha256").write_text("")
    assert stitch("verify", tmp_path).exit_code == 1
