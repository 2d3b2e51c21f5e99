"""Every option of `stitch join` changes what the pipeline is asked, and impossible values end with exit code 2."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import Result

from stitch.cli.loaded import loaded
from stitch.model.request import JoinRequest
from stitch.model.settings import Compression, JoinSettings, Measured, Resample, ToneMatch

Stitch = Callable[..., Result]

SETTINGS: list[tuple[list[str], dict[str, Any]]] = [
    (["--width", "610mm"], {"width_mm": 610.0}),
    (["--height", "24 1/2in"], {"height_mm": 622.3}),
    (["--width", "61", "--unit", "cm"], {"width_mm": 610.0}),
    (["--measured", "paint"], {"measured": Measured.PAINT}),
    (["--tolerance", "2,5mm"], {"tolerance_mm": 2.5}),
    (["--tolerance", "3", "--unit", "mm"], {"tolerance_mm": 3.0}),
    (["--dpi", "300"], {"dpi": 300.0}),
    (["--scan-dpi", "599.5"], {"scan_dpi": 599.5}),
    (["--allow-enlarge"], {"allow_enlarge": True}),
    (["--up", "270"], {"up_deg": 270}),
    (["--tone-reference", "moon one"], {"tone_reference": "moon one"}),
    (["--memory", "1.5GB"], {"memory_mb": 1500}),
    (["--jobs", "2"], {"jobs": 2}),
    (["--title", "Ebbe 🌊"], {"title": "Ebbe 🌊"}),
    (["--creator", "Studio Halde"], {"creator": "Studio Halde"}),
    (["--rights", "© 2026"], {"rights": "© 2026"}),
    (["--fit-size"], {"fit_size": True}),
    (["--compression", "zstd"], {"compression": Compression.ZSTD}),
    (["--allow-gaps"], {"allow_gaps": True}),
    (["--resample", "fine"], {"resample": Resample.FINE}),
    (["--layers"], {"layers": True}),
    (["--no-layers"], {"layers": False}),
    (["--tone", "none"], {"tone": ToneMatch.NONE}),
    (["--tone", "gain"], {"tone": ToneMatch.GAIN}),
    (["--flat", "/somewhere/white.tif"], {"flat_path": "/somewhere/white.tif"}),
    (["--flat", "none"], {"flat_path": ""}),
    (["--plan", "/somewhere/plan.json"], {"plan_path": "/somewhere/plan.json"}),
    (["--plan", "none"], {"plan_path": ""}),
]
REQUEST: list[tuple[list[str], dict[str, Any]]] = [
    (["--out", "elsewhere"], {"out": Path("elsewhere")}),
    (["--only", "moon*", "--only", "c.tif"], {"only": ("moon*", "c.tif")}),
    (["--skip", "*old*"], {"skip": ("*old*",)}),
    (["--recurse"], {"recurse": True}),
    (["--scans", "archive"], {"scans_moved_to": Path("archive")}),
    (["--force"], {"force": True}),
    (["--timings"], {"timings": True}),
    (["--rehash"], {"rehash": True}),
]
WRONG = [
    ["--width", "610"],
    ["--width", "0mm"],
    ["--width", "610 ells"],
    ["--width", "1mm"],
    ["--height", "61m"],
    ["--tolerance", "1"],
    ["--tolerance", "1000mm"],
    ["--dpi", "0"],
    ["--dpi", "nan"],
    ["--dpi", "-600"],
    ["--scan-dpi", "1e9"],
    ["--up", "45"],
    ["--measured", "frame"],
    ["--unit", "ell"],
    ["--memory", "much"],
    ["--memory", "1MB"],
    ["--memory", "0"],
    ["--jobs", "0"],
    ["--jobs", "x"],
    ["--profile", "gone.icc"],
    ["--resample", "lanczos"],
    ["--tone", "much"],
    ["--scanner", "."],
    ["--studio", "gone.toml"],
    ["--no-such-option"],
]


def asked(pipeline: Any, result: Result) -> JoinRequest:
    assert result.exit_code == 0, result.output
    return pipeline.requests[-1]


def test_nothing_but_the_scans(stitch: Stitch, pipeline: Any, scans: Path) -> None:
    assert asked(pipeline, stitch("join", scans)) == JoinRequest((scans,), JoinSettings())


@pytest.mark.parametrize(("words", "changes"), SETTINGS)
def test_settings_reach_the_pipeline(
    stitch: Stitch, pipeline: Any, scans: Path, words: list[str], changes: dict[str, Any]
) -> None:
    request = asked(pipeline, stitch("join", scans, *words))
    assert request.settings == JoinSettings(**changes)
    assert request.given == tuple(changes)


@pytest.mark.parametrize(("words", "changes"), REQUEST)
def test_the_rest_of_the_request_too(
    stitch: Stitch, pipeline: Any, scans: Path, words: list[str], changes: dict[str, Any]
) -> None:
    request = asked(pipeline, stitch("join", scans, *words))
    assert request == JoinRequest((scans,), JoinSettings(), **changes)


def test_a_profile_is_handed_on_with_its_whole_path(
    stitch: Stitch, pipeline: Any, scans: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "scanner.icc").write_text("")
    monkeypatch.chdir(tmp_path)
    request = asked(pipeline, stitch("join", "scans", "--profile", "scanner.icc"))
    assert request.settings.profile_path == str(tmp_path / "scanner.icc")
    assert request.given == ("profile_path",)


def test_a_scanner_file_need_not_be_there_yet(
    stitch: Stitch, pipeline: Any, scans: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    request = asked(pipeline, stitch("join", "scans", "--scanner", "bed.json"))
    assert request.settings.scanner_path == str(tmp_path / "bed.json")
    assert request.given == ("scanner_path",)


def test_several_files(stitch: Stitch, pipeline: Any, scans: Path) -> None:
    files = [scans / "a b.tif", scans / "ü🌊.tif", scans / ("x" * 200 + ".tif")]
    for file in files:
        file.write_text("")
    assert asked(pipeline, stitch("join", *files)).inputs == tuple(files)


@pytest.mark.parametrize("words", WRONG)
def test_impossible_values_are_wrong_arguments(stitch: Stitch, pipeline: Any, scans: Path, words: list[str]) -> None:
    result = stitch("join", scans, *words)
    assert result.exit_code == 2
    assert words[0] in result.stderr
    assert result.stdout == ""
    assert pipeline.requests == []
    assert "Traceback" not in result.stderr


@pytest.mark.parametrize("words", [[], ["gone"]])
def test_no_scans_or_scans_that_are_not_there(stitch: Stitch, pipeline: Any, words: list[str]) -> None:
    result = stitch("join", *words)
    assert result.exit_code == 2
    assert pipeline.requests == []


def test_every_option_is_tried_here() -> None:
    command = loaded("join")
    options = {opt for param in command.params for opt in param.opts if opt.startswith("--")}
    tried = {word for words, _ in SETTINGS + REQUEST for word in words if word.startswith("--")}
    elsewhere = {
        "--profile",
        "--scanner",
        "--studio",
        "--debug",
        "--dry-run",
        "--help",
    }  # above, and in other files here
    assert options - tried - elsewhere == set()
