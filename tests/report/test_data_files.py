"""seams.json and report.json: figures, units, paths, and nothing that JSON cannot hold."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
from pathlib import Path

import pytest

from stitch.report import files
from stitch.report.json_report import relative_path, report_plain
from stitch.report.seams_json import seams_plain
from tests.report.summaries import JOB, SRGB, Run, many_findings

MM = 25.4 / 600


@pytest.mark.parametrize("seed", range(4))
def test_each_seam_is_given_in_px_and_mm(seed: int) -> None:
    lines = Run(seed).seams()
    plain = json.loads(files.json_bytes(seams_plain(lines, 600.0)))
    assert plain["schema_version"] == 1 and plain["canvas_ppi"] == 600.0
    for seam, line in zip(plain["seams"], lines, strict=True):
        assert (seam["scan_a"], seam["scan_b"]) == (line.scan_a, line.scan_b)
        assert seam["points_px"] == [list(point) for point in line.points_px]
        for (x_mm, y_mm), (x, y) in zip(seam["points_mm"], line.points_px, strict=True):
            assert x_mm == pytest.approx((x + 0.5) * MM) and y_mm == pytest.approx((y + 0.5) * MM)
        assert seam["length_mm"] == line.length_mm
        assert seam["length_px"] * MM == pytest.approx(line.length_mm)
        assert seam["step_de00"] == list(line.step_de00)
        assert seam["worst_step_de00"] == max(line.step_de00)
        assert seam["misregistration_px"] == list(line.misregistration_px)
        for px, mm in zip(seam["misregistration_px"], seam["misregistration_mm"], strict=True):
            assert (px is None and mm is None) or mm == pytest.approx(px * MM)
    assert plain["all_seams"]["length_mm"] == pytest.approx(sum(line.length_mm for line in lines))


def test_a_step_that_was_not_measured_is_null() -> None:
    (line, *_) = Run(1).seams()
    line = dataclasses.replace(line, step_de00=(math.nan,) * len(line.step_de00))
    plain = json.loads(files.json_bytes(seams_plain([line], 600.0)))
    assert set(plain["seams"][0]["step_de00"]) == {None} and plain["seams"][0]["mean_step_de00"] is None


@pytest.mark.parametrize("seed", range(4))
def test_the_report_holds_the_record(seed: int) -> None:
    summary = Run(seed).summary(findings=many_findings())
    assert summary.layout and summary.tone and summary.size_check and summary.seams
    plain = json.loads(files.json_bytes(report_plain(summary, job_folder=JOB)))
    assert plain["schema_version"] == 1 and plain["exit_code"] == 0 and plain["verdict"]["outcome"] == "done"
    assert [scan["scan_id"] for scan in plain["scans"]] == [scan.scan_id for scan in summary.scans]
    for link, plain_link in zip(summary.layout.links, plain["links"], strict=True):
        assert plain_link["median_px"] == link.median_px and plain_link["heldout_count"] == link.heldout_count
        assert plain_link["p95_mm"] == pytest.approx(link.p95_px * MM)
    assert plain["layout"]["canvas"]["width_px"] == summary.layout.canvas.width_px
    assert plain["tone"]["scans"][1]["gain_rgb"] == list(summary.tone.scans[1].gain_rgb)
    assert plain["size_check"]["readings"][0]["measured_mm"] == summary.size_check.readings[0].measured_mm
    assert plain["seams"]["all_seams"]["worst_step_de00"] == max(max(line.step_de00) for line in summary.seams)
    assert [timing["elapsed_s"] for timing in plain["timings"]] == [timing.seconds for timing in summary.timings]
    assert plain["findings"][0]["severity"] == "warning"


def test_profiles_are_named_and_hashed_not_copied() -> None:
    data = files.json_bytes(report_plain(Run(1).summary(), job_folder=JOB))
    plain = json.loads(data)
    for profile in (plain["scans"][0]["profile"], plain["master_spec"]["profile"]):
        assert profile["sha256"] == hashlib.sha256(SRGB).hexdigest() and profile["byte_count"] == len(SRGB)
        assert "sRGB" in profile["description"]
    assert len(data) < 60_000


def test_scan_paths_are_relative_to_the_job() -> None:
    plain = report_plain(Run(1).summary(), job_folder=JOB)
    assert plain["scans"][0]["path"] == "../scans/top left.tif"
    assert "/studio" not in json.dumps(plain)
    assert relative_path(Path("already/relative.tif"), JOB) == "already/relative.tif"


def test_checksums_before_and_after() -> None:
    summary = Run(1).summary()
    after = (*summary.sha256_after[:1], (summary.scans[1].scan_id, "0" * 64))
    plain = report_plain(dataclasses.replace(summary, sha256_after=after), job_folder=JOB)
    assert [scan["is_unchanged"] for scan in plain["scans"]] == [True, False, None, None]


def test_a_stopped_run_is_null_where_nothing_was_found() -> None:
    summary = Run(2).stopped()
    plain = json.loads(files.json_bytes(report_plain(summary, job_folder=JOB)))
    assert plain["exit_code"] == 4 and plain["next_command"] == summary.next_command
    assert plain["verdict"]["outcome"] == "stopped"
    for key in ("layout", "tone", "seams", "size_check", "master_spec", "master"):
        assert plain[key] is None
    assert [link["median_px"] for link in plain["links"]] == [link.median_px for link in summary.links_found]
    assert plain["findings"][0]["scan_ids"] == list(summary.findings[0].scan_ids)


def test_a_link_without_test_patches_has_null_errors() -> None:
    summary = Run(2).stopped()
    links = tuple(dataclasses.replace(link, heldout_count=0, median_px=0.0) for link in summary.links_found)
    plain = report_plain(dataclasses.replace(summary, links_found=links), job_folder=JOB)
    assert {link[key] for link in plain["links"] for key in ("median_px", "p95_px", "max_mm")} == {None}


def test_figures_that_are_no_numbers_become_null() -> None:
    summary = Run(1).summary()
    assert summary.size_check
    check = dataclasses.replace(summary.size_check, squareness_deg=math.inf)
    plain = json.loads(files.json_bytes(report_plain(dataclasses.replace(summary, size_check=check), job_folder=JOB)))
    assert plain["size_check"]["squareness_deg"] is None


def test_json_refuses_nan() -> None:
    with pytest.raises(ValueError, match="JSON"):
        files.json_bytes({"x": math.nan})
