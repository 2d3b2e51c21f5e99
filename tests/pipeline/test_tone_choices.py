"""How much the tone is matched, and a scan of a white sheet: what a painter asks for is what is done, kept and told."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import tifffile

from stitch.errors import ScanError, UsageError
from stitch.model.geometry import Size
from stitch.model.layout import Layout
from stitch.model.settings import ToneMatch
from stitch.model.tone import FlatUse, SlopeSource, ToneFit
from stitch.pipeline import join
from stitch.pipeline.noticed import light_findings
from stitch.pipeline.telling import history
from tests.pipeline.jobs import PPI, TILE, hashes, jittered_scans, matrix_profile, request, stitch, write_scans
from tests.tone.sheets import sheet

WIDE = matrix_profile((0.64, 0.33), (0.21, 0.71), (0.15, 0.06), 2.2)
FIELD = np.ones((TILE[1], TILE[0], 3)) * (1 + 0.02 * np.linspace(-1, 1, TILE[0]))[None, :, None]


@pytest.fixture(scope="module")
def once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A finished job of four scans of unlike gains, with a white sheet among them."""
    place = tmp_path_factory.mktemp("once")
    jittered_scans(71, place / "scans", gain=0.06)
    write_scans(place / "scans", {"white": sheet(FIELD)})
    assert join(request(place / "scans", flat_path=str(place / "scans" / "white.tif"))).exit_code == 0
    return place


@pytest.fixture
def finished(once: Path, tmp_path: Path) -> Path:
    shutil.copytree(once, tmp_path, dirs_exist_ok=True)
    return tmp_path


def plain(place: Path) -> dict:
    return json.loads((place / "scans-joined" / "report.json").read_text(encoding="utf-8"))


def test_a_white_sheet_is_used_recorded_and_not_joined(once: Path) -> None:
    found, was = plain(once), hashes(once / "scans")["white.tif"]
    assert [one["scan_id"] for one in found["scans"]] == ["A1", "A2", "B1", "B2"]
    assert found["tone"]["flat"]["sha256"] == was and found["tone"]["slope_source"] == "flat"
    assert found["tone"]["flat"]["largest_percent"] == pytest.approx(4.0, abs=0.7)
    assert all(one["field"] is not None for one in found["tone"]["scans"])
    sums = (once / "scans-joined" / "checksums.sha256").read_text(encoding="utf-8")
    assert f"{was}  ../scans/white.tif" in sums
    assert "white.tif" in (once / "scans-joined" / "report.html").read_text(encoding="utf-8")
    assert any("white sheet white.tif" in line for line in found["master_spec"]["history"])


def test_another_sheet_redoes_the_tone_and_what_follows_only(finished: Path) -> None:
    job = finished / "scans-joined"
    join(request(job))
    assert "keep the master" in stitch("join", job, "--dry-run").stdout
    write_scans(finished / "scans", {"white": sheet(FIELD, 5)})
    planned = stitch("join", job, "--dry-run").stdout.splitlines()
    assert [line.split()[0] for line in planned] == ["keep", "keep", "do", "do", "do", "do"]
    assert planned[2] == "do   tone: the white sheet changed"
    assert stitch("status", finished).stdout.count("settings changed after it was joined") == 1


def test_tone_none_keeps_every_code_outside_the_seams(finished: Path) -> None:
    job = finished / "scans-joined"
    refused = stitch("join", job, "--tone", "none")
    assert refused.returncode == 2 and "--flat none" in refused.stderr
    done = stitch("join", job, "--tone", "none", "--flat", "none")
    assert done.returncode == 1 and "the colour of the two scans differs" in done.stderr  # unlike scans are told
    assert "tone (--tone changed and the white sheet changed)" in " ".join(done.stderr.split())
    found = plain(finished)
    assert found["tone"]["how"] == "none" and found["tone"]["flat"] is None
    assert all(one["gain_rgb"] == [1, 1, 1] and one["field"] is None for one in found["tone"]["scans"])
    assert all(p["mean_before_de00"] == p["mean_after_de00"] > 0.5 for p in found["tone"]["pairs"])
    assert "Tone left as scanned." in found["master_spec"]["history"]
    assert "white.tif" not in (job / "checksums.sha256").read_text(encoding="utf-8")


def test_tone_none_on_whole_pixels_gives_the_scans_back_bit_for_bit(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    whole = jittered_scans(72, tmp_path / "one")
    image = tifffile.imread(whole / "A1.tif")
    image = np.concatenate([image, tifffile.imread(whole / "A2.tif")], axis=1)
    left, right = image[:, :500].copy(), image[:, 340:].copy()
    right = (right * 0.97 + rng.integers(0, 2, right.shape)).astype(np.uint16)
    summary = join(request(write_scans(tmp_path / "scans", {"L": left, "R": right}), tone=ToneMatch.NONE))
    assert summary.layout is not None and summary.layout.is_whole_pixel
    master = tifffile.imread(tmp_path / "scans-joined" / "master.tif")
    labels = tifffile.imread(tmp_path / "scans-joined" / "seam-labels.tif")
    assert np.array_equal(master[:, :200], left[: master.shape[0], :200]) and (labels[:, :200] == 1).all()
    assert np.array_equal(master[:, -200:], right[: master.shape[0], -200:]) and (labels[:, -200:] == 2).all()


@pytest.mark.parametrize(
    ("name", "pixels", "why"),
    [
        ("small", sheet(FIELD[:300]), "does not cover"),
        ("turned", sheet(FIELD.swapaxes(0, 1)), "turned by a quarter"),
        ("dark", sheet(FIELD, level=0.2), "not a white sheet"),
    ],
)
def test_a_sheet_that_cannot_be_used_stops_before_anything_is_placed(
    name: str, pixels: np.ndarray, why: str, once: Path, tmp_path: Path
) -> None:
    write_scans(tmp_path, {name: pixels})
    scans = [once / "scans" / f"{scan}.tif" for scan in ("A1", "A2", "B1", "B2")]
    shutil.copytree(once / "scans", tmp_path / "scans")
    asked = request(tmp_path / "scans", flat_path=str(tmp_path / f"{name}.tif"))
    with pytest.raises(ScanError, match=why) as refused:
        join(asked)
    assert f"{name}.tif" in refused.value.message
    assert not (tmp_path / "scans-joined").exists() and all(path.exists() for path in scans)


def test_a_sheet_that_is_not_there_or_has_another_profile_is_refused(once: Path, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="is not there"):
        join(request(once / "scans", flat_path=str(tmp_path / "white.tif")))
    profiled = tifffile.imread(once / "scans" / "white.tif")
    tifffile.imwrite(tmp_path / "wide.tif", profiled, resolution=(PPI, PPI), resolutionunit="INCH", iccprofile=WIDE)
    with pytest.raises(ScanError, match="another colour profile"):
        join(request(once / "scans", flat_path=str(tmp_path / "wide.tif")))


def tone(**facts: object) -> ToneFit:
    return ToneFit("A1", (), (), 1.0, "linear light of sRGB", **facts)  # type: ignore[arg-type]


def test_a_slope_that_nothing_shows_is_told_where_it_matters() -> None:
    (note,) = light_findings(tone(gain_slope_percent=3.2))
    assert note.message.startswith("Not observable") and "3 %" in note.message and "--flat" in note.advice
    assert light_findings(tone(gain_slope_percent=0.4)) == ()
    assert light_findings(tone(gain_slope_percent=3.2, slope_source=SlopeSource.TURNED_PIECES)) == ()
    assert light_findings(tone(gain_slope_percent=3.2, how=ToneMatch.NONE)) == ()


def test_the_history_names_the_sheet_and_a_slope_that_was_held() -> None:
    nothing = Layout(Size(10, 10), 200.0, (), (), True, 0)
    said = history(nothing, tone(flat=FlatUse("white.tif", "ab" * 32, 4.2), held_slope_percent=1.4), (), (), {})
    assert any("white.tif" in line and "4 %" in line for line in said) and any("1.4 %" in line for line in said)
