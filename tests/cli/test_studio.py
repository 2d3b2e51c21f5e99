"""The studio file: defaults that typed words go before."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import Result

from stitch.cli import studio
from stitch.cli.lengths import Unit
from stitch.model.settings import JoinSettings, Measured

Stitch = Callable[..., Result]

WHOLE = """
creator = "Studio Halde"
rights = "© 2026 Studio Halde"
unit = "cm"
scan-dpi = 600
dpi = 300
measured = "paint"
tolerance = "2mm"
profile = "scanner.icc"
scanner = "scanner.json"
memory = "2GB"
jobs = 2
"""


def settings_of(pipeline: Any, result: Result) -> JoinSettings:
    assert result.exit_code == 0, result.output
    return pipeline.requests[-1].settings


def test_all_lines(tmp_path: Path) -> None:
    (tmp_path / "scanner.icc").write_text("")
    (tmp_path / "halde.toml").write_text(WHOLE, encoding="utf-8")
    loaded = studio.load_studio(tmp_path / "halde.toml")
    assert loaded.unit is Unit.CM
    assert JoinSettings(**loaded.settings) == JoinSettings(
        creator="Studio Halde",
        rights="© 2026 Studio Halde",
        scan_dpi=600.0,
        dpi=300.0,
        measured=Measured.PAINT,
        tolerance_mm=2.0,
        profile_path=str(tmp_path / "scanner.icc"),
        scanner_path=str(tmp_path / "scanner.json"),
        memory_mb=2000,
        jobs=2,
    )


def test_the_example_in_the_help_is_understood(tmp_path: Path) -> None:
    assert studio.__doc__ is not None
    lines = [line[4:] for line in studio.__doc__.splitlines() if line.startswith("    ")]
    (tmp_path / "scanner.icc").write_text("")
    (tmp_path / "studio.toml").write_text("\n".join(lines), encoding="utf-8")
    assert len(studio.load_studio(tmp_path / "studio.toml").settings) == 10


def test_typed_words_go_before_the_file_and_the_file_before_the_defaults(
    stitch: Stitch, pipeline: Any, scans: Path, tmp_path: Path
) -> None:
    file = tmp_path / "halde.toml"
    file.write_text('creator = "Studio Halde"\nrights = "©"\nunit = "cm"\n', encoding="utf-8")
    result = stitch("join", scans, "--studio", file, "--creator", "Someone", "--width", "61")
    assert settings_of(pipeline, result) == JoinSettings(creator="Someone", rights="©", width_mm=610.0)
    assert pipeline.requests[-1].given == ("creator", "rights", "width_mm")


def test_the_file_in_the_settings_folder_is_found_but_does_not_overrule_a_job(
    stitch: Stitch, pipeline: Any, scans: Path
) -> None:
    file = studio.default_path()
    file.parent.mkdir(parents=True)
    file.write_text('\ufeffcreator = "Studio Halde"\n', encoding="utf-8")
    assert settings_of(pipeline, stitch("join", scans)).creator == "Studio Halde"
    assert pipeline.requests[-1].given == ()


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("creater = 'x'", "'creater' that means nothing"),
        ("creator = Studio", "not understood"),
        ("creator = 3", "creator is not right"),
        ("scan-dpi = '600'", "has to be a number"),
        ("dpi = true", "has to be a number"),
        ("dpi = 0", "is not a resolution"),
        ("unit = 'ell'", "unit is not right"),
        ("measured = 'frame'", "measured is not right"),
        ("tolerance = '2'", "has no unit"),
        ("memory = 'much'", "not an amount"),
        ("jobs = 0", "cannot work"),
        ("jobs = 1.5", "whole number"),
        ("profile = 'gone.icc'", "is not there"),
    ],
)
def test_what_is_wrong_in_the_file_is_named(
    stitch: Stitch, pipeline: Any, scans: Path, tmp_path: Path, text: str, told: str
) -> None:
    file = tmp_path / "halde.toml"
    file.write_text(text)
    result = stitch("join", scans, "--studio", file)
    assert result.exit_code == 2
    assert told in result.stderr
    assert str(file) in result.stderr
    assert pipeline.requests == []
