"""The scanner file of a run: when it is used, written, doubted, and left alone."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from stitch.errors import UsageError
from stitch.job.folder import JobFolder
from stitch.job.scanner_file import ScannerRecord, load, record_of, text_of
from stitch.model.bed import Bed, BedSource
from stitch.model.findings import Severity
from stitch.model.request import JoinRequest
from stitch.model.settings import JoinSettings
from stitch.pipeline import calibration

SEEN = Bed(BedSource.TURNED_PIECES, 0.0015, 0.06, 1.0, 1e-5, 5e-4)


@pytest.fixture
def folder(tmp_path: Path) -> JobFolder:
    (tmp_path / "scans").mkdir()
    job = JobFolder.open_or_create(JoinRequest((tmp_path / "scans",), JoinSettings()))
    job.work.mkdir(parents=True)
    return job


def settings(tmp_path: Path) -> JoinSettings:
    return JoinSettings(scanner_path=str(tmp_path / "bed.json"))


def filed(tmp_path: Path, bed: Bed = SEEN, dpi: float = 600.0) -> ScannerRecord:
    record = record_of(bed, dpi=dpi, observed_at="2026-11-25", job_name="Ebbe-joined")
    (tmp_path / "bed.json").write_text(text_of(record), encoding="utf-8")
    return record


def codes(findings: tuple[object, ...]) -> list[str]:
    return [finding.code for finding in findings]  # type: ignore[attr-defined]


def test_what_a_run_saw_is_saved_once_and_is_no_news_to_the_same_job(folder: JobFolder, tmp_path: Path) -> None:
    first = calibration.read(settings(tmp_path), folder)
    assert first.bed is None
    found = calibration.finish(first, folder, SEEN, None, dpi=600.0, has_failed=False)
    assert codes(found) == ["scanner-saved"]
    record = load(tmp_path / "bed.json")
    assert record is not None and record.bed == replace(SEEN, source=BedSource.FILE)
    assert (record.dpi, record.job_name) == (600.0, "scans-joined")
    again = calibration.read(settings(tmp_path), folder)
    assert again.is_own and again.bed is None
    before = (tmp_path / "bed.json").read_bytes()
    assert calibration.finish(again, folder, SEEN, None, dpi=600.0, has_failed=False) == ()
    assert (tmp_path / "bed.json").read_bytes() == before


def test_the_next_job_registers_with_it_and_never_writes_it(folder: JobFolder, tmp_path: Path) -> None:
    filed(tmp_path)
    before = (tmp_path / "bed.json").read_bytes()
    found = calibration.read(settings(tmp_path), folder)
    assert found.bed == replace(SEEN, source=BedSource.FILE)
    better = replace(SEEN, sigma_anisotropy=1e-7)
    assert calibration.finish(found, folder, found.bed, better, dpi=600.0, has_failed=False) == ()
    assert (tmp_path / "bed.json").read_bytes() == before


@pytest.mark.parametrize(
    ("bed", "has_failed", "words"),
    [
        (Bed(), False, "no piece was turned by a quarter"),
        (SEEN, True, "A check failed"),
        (Bed(), True, "no piece was turned by a quarter"),
    ],
)
def test_why_nothing_was_saved(folder: JobFolder, tmp_path: Path, bed: Bed, has_failed: bool, words: str) -> None:
    named = calibration.read(settings(tmp_path), folder)
    (note,) = calibration.finish(named, folder, bed, None, dpi=600.0, has_failed=has_failed)
    assert (note.code, note.severity) == ("scanner-not-saved", Severity.NOTE) and words in note.message
    assert not (tmp_path / "bed.json").exists()


@pytest.mark.parametrize(
    ("change", "is_told"),
    [
        ({}, False),
        ({"anisotropy": 0.0015 + 1.9e-4}, False),  # many sigmas, but less than 0.02 %
        ({"anisotropy": 0.0015 + 2.5e-4}, True),
        ({"anisotropy": 0.0015 - 2.5e-4}, True),
        ({"anisotropy": 0.0025, "sigma_anisotropy": 3e-4}, False),  # less than 4 sigmas
        ({"skew_deg": 0.08}, True),
        ({"skew_deg": 0.07}, False),  # less than 0.02 %
        ({"source": BedSource.UNKNOWN, "anisotropy": 0.1}, False),
    ],
)
def test_a_contradiction_is_told(folder: JobFolder, tmp_path: Path, change: dict[str, float], is_told: bool) -> None:
    filed(tmp_path)
    named = calibration.read(settings(tmp_path), folder)
    assert named.bed is not None
    found = calibration.finish(named, folder, named.bed, replace(SEEN, **change), dpi=600.0, has_failed=False)
    assert codes(found) == (["scanner-contradicts"] if is_told else [])
    assert all(finding.severity is Severity.WARNING for finding in found)


def test_another_resolution_is_told(folder: JobFolder, tmp_path: Path) -> None:
    filed(tmp_path, dpi=300.0)
    named = calibration.read(settings(tmp_path), folder)
    (note,) = calibration.finish(named, folder, Bed(), None, dpi=600.0, has_failed=False)
    assert note.code == "scanner-other-dpi" and "300 dpi" in note.message


def test_no_file_was_named(folder: JobFolder) -> None:
    named = calibration.read(JoinSettings(), folder)
    assert named == calibration.Calibration() and named.bed is None
    assert calibration.finish(named, folder, SEEN, None, dpi=600.0, has_failed=False) == ()


def test_a_foreign_file_stops_before_any_work(folder: JobFolder, tmp_path: Path) -> None:
    (tmp_path / "bed.json").write_text(json.dumps({"kind": "shopping list"}))
    with pytest.raises(UsageError, match="not a scanner file"):
        calibration.read(settings(tmp_path), folder)
