"""A ruler reading between two places checks the scale where no edge is in view."""

from __future__ import annotations

from pathlib import Path

import pytest

from stitch.model.request import JoinRequest
from stitch.model.settings import JoinSettings
from stitch.pipeline import join
from tests.pipeline.jobs import PPI, STEP, jittered_scans, stitch


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("distance")
    join(JoinRequest((jittered_scans(5, folder / "scans"),), JoinSettings()))
    return folder / "scans-joined"


def read(job: Path, reading: str) -> object:
    (job / "ties.csv").unlink(missing_ok=True)
    assert stitch("ties", job, "--distance", reading).returncode == 0
    return join(JoinRequest((job,), JoinSettings()))


@pytest.mark.parametrize(("stretch", "is_ok"), [(1.0, True), (1.08, False)])
def test_a_ruler_within_a_scan(job: Path, stretch: float, is_ok: bool) -> None:
    true_mm = 300 / PPI * 25.4
    found = read(job, f"A1 50,60 A1 350,60 {true_mm * stretch:.3f}mm")
    (one,) = [r for r in found.size_check.readings if r.name == "ruler 1 in A1"]
    assert one.measured_mm == pytest.approx(true_mm, abs=0.01)
    assert one.is_ok is is_ok
    assert ("distance" in [finding.code for finding in found.findings]) is not is_ok
    assert found.size_check.scale_error_percent == pytest.approx(100 * (1 / stretch - 1), abs=0.05)
    assert "size-not-given" not in [finding.code for finding in found.findings]
    assert "ruler 1 in A1" in (job / "report.html").read_text("utf-8").replace("\u00a0", " ")


def test_a_ruler_across_two_scans(job: Path) -> None:
    far_mm = STEP[0] / PPI * 25.4  # the same px of neighbours: one step apart, but for jitter and turn
    found = read(job, f"A1 200,200 A2 200,200 {far_mm:.1f}mm")
    (one,) = [r for r in found.size_check.readings if r.name == "ruler 1 from A1 to A2"]
    assert one.measured_mm == pytest.approx(far_mm, abs=2.5)
