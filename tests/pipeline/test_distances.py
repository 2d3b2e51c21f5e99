"""A ruler reading between two places checks the scale where no edge is in view."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from stitch.errors import RegisterError, UsageError
from stitch.imaging.placed_map import PlacedMap
from stitch.model.bed import Bed
from stitch.model.geometry import Size
from stitch.model.request import JoinRequest
from stitch.model.settings import JoinSettings
from stitch.model.ties import Distance
from stitch.pipeline import join
from stitch.pipeline.by_ruler import fit_by_ruler
from stitch.pipeline.distances import SIGMA_MM
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


FLAT = PlacedMap(np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]), Size(9000, 9000))


@pytest.mark.parametrize("true", [0.9942, 1.0, 1.0071])
def test_the_ruler_gives_the_scale_as_sure_as_it_is(true: float) -> None:
    """A thousand readings with the stated spread: the factor's own spread is the one that is said."""
    rng = np.random.default_rng(3)
    long_mm, short_mm = (8000 / 200 * 25.4, 3000 / 200 * 25.4)
    factors = []
    for _ in range(1000):
        told = true * np.array([long_mm, short_mm]) + rng.normal(0, SIGMA_MM, 2)
        read = [Distance("A", (0, 0), "A", (8000, 0), told[0]), Distance("A", (0, 0), "A", (0, 3000), told[1])]
        factors.append(_factor(read))
    factors = np.array([factor for factor in factors if factor is not None])
    assert np.median(factors) == pytest.approx(true, abs=0.0005)
    if true == 1.0:
        said = SIGMA_MM / np.hypot(long_mm, short_mm)
        assert 0.9 * said < np.std(factors) < 1.1 * said


def _factor(read: list[Distance]) -> float | None:
    try:
        return fit_by_ruler(read, {"A": FLAT}, 200.0, Bed()).scale[0]
    except RegisterError:
        return None


def test_a_ruler_far_off_is_refused_and_one_in_no_scan_is_told() -> None:
    with pytest.raises(RegisterError, match="does not fit"):
        fit_by_ruler([Distance("A", (0, 0), "A", (800, 0), 105.0)], {"A": FLAT}, 200.0, Bed())
    found = fit_by_ruler([Distance("B", (0, 0), "B", (800, 0), 101.6)], {"A": FLAT}, 200.0, Bed())
    assert found.scale is None
    assert [one.code for one in found.findings] == ["size-not-fitted"]


def test_a_job_is_brought_to_the_ruler_when_asked(job: Path) -> None:
    (job / "ties.csv").unlink(missing_ok=True)
    with pytest.raises(UsageError, match="--fit-size needs"):
        join(JoinRequest((job,), JoinSettings(fit_size=True), given=("fit_size",)))
    told_mm = 1.004 * 350 / PPI * 25.4
    assert stitch("ties", job, "--distance", f"A1 40,60 A1 390,60 {told_mm:.3f}mm").returncode == 0
    found = join(JoinRequest((job,), JoinSettings(fit_size=True), given=("fit_size",)))
    (one,) = [r for r in found.size_check.readings if r.name == "ruler 1 in A1"]
    assert one.measured_mm == pytest.approx(told_mm, abs=0.01)
    (note,) = [f.message for f in found.findings if f.code == "size-fitted"]
    assert "by +0.40" in note
