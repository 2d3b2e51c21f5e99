"""Whole jobs from a desk: turned pieces, a scanner with a shape of its own, holes, mixed resolutions."""

import json
from pathlib import Path

import pytest
import tifffile

from stitch.model.bed import BedSource
from stitch.model.report import RunSummary
from stitch.pipeline import join
from tests.pipeline.desk import MM, PAINTING_PX, desk_scans, shape
from tests.pipeline.jobs import request, stitch

WIDTH_MM, HEIGHT_MM = (n * MM for n in PAINTING_PX)


def codes(summary: RunSummary) -> set[str]:
    return {finding.code for finding in summary.findings}


def test_the_tape_brings_both_axes_to_the_true_size(tmp_path: Path) -> None:
    scans = desk_scans(tmp_path / "scans", 5, linear=shape(0.004, 0.997))
    summary = join(request(scans, width_mm=WIDTH_MM, height_mm=HEIGHT_MM, fit_size=True))
    assert summary.exit_code == 0, summary.findings
    assert summary.layout is not None and summary.layout.tape_scale is not None
    true = shape(0.004, 0.997).diagonal()
    assert summary.layout.tape_scale == pytest.approx(tuple(true), abs=3e-4)
    assert summary.layout.bed.source is BedSource.TAPE
    assert summary.layout.bed.linear.diagonal() == pytest.approx(true, abs=3e-4)
    assert summary.size_check is not None
    for reading in summary.size_check.readings[:4]:
        assert reading.measured_mm == pytest.approx(reading.expected_mm, abs=0.15)
    assert summary.master_spec is not None
    said = " ".join(summary.master_spec.history)
    assert "Brought to the tape's size" in said and "Reduced" not in said and "Enlarged" not in said
    plain = join(request(scans, width_mm=WIDTH_MM, height_mm=HEIGHT_MM))
    assert plain.layout is not None and plain.layout.tape_scale is None
    assert [timing.is_kept for timing in plain.timings[:2]] == [True, False]
    refused = join(request(scans, width_mm=WIDTH_MM + 3, height_mm=HEIGHT_MM, fit_size=True))
    assert refused.exit_code == 4 and "The tape does not fit" in refused.findings[-1].message


def test_what_turned_pieces_show_of_the_scanner_is_saved_used_and_defended(tmp_path: Path) -> None:
    bed = tmp_path / "bed.json"
    scans = desk_scans(tmp_path / "first", 3, linear=shape(0.0015), quarters={"A2": 1, "B2": 1})
    first = join(request(scans, scanner_path=str(bed)))
    assert first.exit_code == 0 and {"turned", "scanner-saved"} <= codes(first), first.findings
    assert first.layout is not None and first.layout.bed.source is BedSource.TURNED_PIECES
    plain = json.loads(bed.read_text())
    assert plain["anisotropy"] == pytest.approx(0.0015, abs=1e-4)
    again = join(request(tmp_path / "first-joined"))
    assert all(timing.is_kept for timing in again.timings) and "scanner-saved" not in codes(again)

    scans = desk_scans(tmp_path / "next", 4, linear=shape(0.0015))
    used = join(request(scans, scanner_path=str(bed)))
    assert used.layout is not None and used.layout.bed.source is BedSource.FILE
    assert used.layout.bed.anisotropy == plain["anisotropy"]
    assert not codes(used) & {"scanner-saved", "scanner-not-saved", "scanner-contradicts"}
    said = (tmp_path / "next-joined" / "report.html").read_text(encoding="utf-8")
    assert "Taken from the scanner file" in said
    assert json.loads((tmp_path / "next-joined" / "report.json").read_text())["layout"]["bed"]["source"] == "file"

    scans = desk_scans(tmp_path / "other", 5, linear=shape(0.0045), quarters={"B2": 3})
    other = join(request(scans, scanner_path=str(bed)))
    (warning,) = [finding for finding in other.findings if finding.code == "scanner-contradicts"]
    assert "+0.45" in warning.message
    assert json.loads(bed.read_text()) == plain


def test_a_file_that_is_no_calibration_stops_before_anything_is_made(tmp_path: Path) -> None:
    scans = desk_scans(tmp_path / "scans", 6)
    (tmp_path / "notes.json").write_text("{}")
    done = stitch("join", scans, "--scanner", tmp_path / "notes.json")
    assert done.returncode == 2 and "not a scanner file" in done.stderr
    assert (tmp_path / "notes.json").read_text() == "{}"
    assert not (tmp_path / "scans-joined").exists()


def test_a_missing_corner_is_refused_unless_allowed_and_then_named(tmp_path: Path) -> None:
    scans = desk_scans(tmp_path / "scans", 6, left_out=("B2",))
    done = stitch("join", scans)
    assert done.returncode == 4 and "a hole" in done.stderr and "bottom right" in done.stderr
    assert not (tmp_path / "scans-joined" / "master.tif").exists()
    done = stitch("join", scans, "--allow-gaps")
    assert done.returncode == 1 and "Part of the painting is in no scan" in done.stderr
    labels = tifffile.imread(tmp_path / "scans-joined" / "seam-labels.tif")
    height, width = labels.shape
    assert (labels[int(0.7 * height) : -60, int(0.7 * width) : -60] == 0).all()
    assert (labels[: int(0.5 * height)] > 0).all()


def test_one_scan_of_half_the_resolution_is_let_through_by_dpi(tmp_path: Path) -> None:
    sizes = {"painting_px": (900, 980), "tile_px": (700, 740)}
    scans = desk_scans(tmp_path / "scans", 8, halved=("B1",), **sizes)
    refused = join(request(scans))
    assert refused.exit_code == 3 and "B1" in " ".join(finding.message for finding in refused.findings)
    summary = join(request(scans, dpi=100.0))
    assert summary.exit_code == 0, summary.findings
    assert summary.layout is not None
    scales = {p.scan_id: abs(p.matrix[0, 0]) for p in summary.layout.placements}
    assert scales["B1"] == pytest.approx(1.0, abs=1e-3) and scales["A1"] == pytest.approx(0.5, abs=1e-3)
    assert summary.size_check is not None
    for reading in summary.size_check.readings[:4]:
        expected = MM * sizes["painting_px"][0 if reading.name.startswith("width") else 1]
        assert reading.measured_mm == pytest.approx(expected, abs=0.3)


def test_of_a_piece_scanned_twice_the_sharper_is_used_and_the_other_listed_as_left_out(tmp_path: Path) -> None:
    scans = desk_scans(tmp_path / "scans", 7, twice=("A1",), blurred={"A1": 1.0})
    summary = join(request(scans))
    assert summary.exit_code == 0, summary.findings
    (warning,) = [finding for finding in summary.findings if finding.code == "scanned-twice"]
    assert "A1-again is the sharper one and was used" in warning.message
    assert warning.scan_ids == ("A1", "A1-again")
    job = tmp_path / "scans-joined"
    plain = json.loads((job / "report.json").read_text())
    assert [one["scan_id"] for one in plain["layout"]["left_out"]] == ["A1"] and plain["layout"]["unplaced"] == []
    assert {one["file_name"] for one in plain["master_spec"]["ingredients"]} == {
        "A1-again.tif",
        "A2.tif",
        "B1.tif",
        "B2.tif",
    }
    assert len(plain["scans"]) == 5 and all(scan["is_unchanged"] for scan in plain["scans"])
    assert not [link for link in plain["links"] if "A1" in (link["scan_a"], link["scan_b"])]
    assert "Left out:" in (job / "report.html").read_text(encoding="utf-8")
    assert "A1.tif" in (job / "checksums.sha256").read_text()
    again = join(request(job))
    assert all(timing.is_kept for timing in again.timings)
    named = stitch("join", job, "--tone-reference", "A1")
    assert named.returncode == 2 and "left out because A1-again" in named.stderr
