"""What stops a run says why, exits with its code, and leaves nothing half done."""

import json
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from stitch.imaging.affine import apply, nearest_turn_deg
from stitch.pipeline import join
from tests.pipeline.jobs import TILE, hashes, jittered_scans, picture, request, stitch, tiles, write_scans

SLOW_SEEDS = [pytest.param(seed, marks=pytest.mark.slow) for seed in (2, 3)]


def test_a_scan_of_another_painting_leaves_a_report_and_the_next_command(tmp_path: Path) -> None:
    scans = jittered_scans(11, tmp_path / "scans")
    write_scans(scans, {"other": picture(77)[:460, :420]})
    done = stitch("join", scans)
    job = tmp_path / "scans-joined"
    assert done.returncode == 4
    assert "other could not be linked" in done.stderr
    assert not (job / "master.tif").exists()
    assert not (job / "work" / "scratch").exists()
    plain = json.loads((job / "report.json").read_text())
    assert plain["exit_code"] == 4
    assert plain["next_command"] == "stitch ties scans-joined"
    assert "stitch join scans-joined --skip other.tif" in done.stderr
    assert "other" in (job / "report.html").read_text()
    again = stitch("join", job, "--skip", "other.*")
    assert again.returncode == 0
    assert (job / "master.tif").exists()


def test_a_missing_piece_is_a_hole_and_stops_the_run(tmp_path: Path) -> None:
    image = picture(31, size=(1100, 1100))
    whole = {
        f"{'ABC'[j]}{i + 1}": image[j * 320 : j * 320 + 460, i * 320 : i * 320 + 460]
        for j in range(3)
        for i in range(3)
    }
    del whole["B2"]
    scans = write_scans(tmp_path / "scans", whole)
    summary = join(request(scans))
    assert summary.exit_code == 4
    assert any("a hole in the painting" in f.message and "in the middle" in f.message for f in summary.findings)
    assert len(summary.links_found) >= 8
    assert summary.next_command == "stitch join scans"  # so that the piece put there since is seen
    assert not (tmp_path / "scans-joined" / "master.tif").exists()


@pytest.mark.parametrize("seed", [34])
def test_where_the_others_lie_is_kept_when_one_does_not_link(tmp_path: Path, seed: int) -> None:
    found = tiles(picture(seed))
    found["A2"] = np.rot90(found["A2"], 2)
    foreign = tiles(picture(seed + 50))["B2"]
    summary = join(request(write_scans(tmp_path / "scans", {**found, "other": foreign})))
    plain = json.loads((tmp_path / "scans-joined" / "report.json").read_text(encoding="utf-8"))
    assert summary.exit_code == 4
    assert sorted(plain["places_found"]) == ["A1", "A2", "B1", "B2"]
    places = {name: np.array(rows) for name, rows in plain["places_found"].items()}
    middle = [(TILE[0] - 1) / 2, (TILE[1] - 1) / 2]
    for name, (x, y) in {"A1": (0, 0), "A2": (320, 0), "B1": (0, 350), "B2": (320, 350)}.items():
        away = apply(places[name], np.array(middle)) - apply(places["A1"], np.array(middle))
        assert away == pytest.approx([x, y], abs=3)
        assert nearest_turn_deg(places[name]) == (180 if name == "A2" else 0)


def test_unusable_scans_leave_no_job_folder(tmp_path: Path) -> None:
    scans = write_scans(tmp_path / "scans", tiles(picture(32)))
    (scans / "B2.tif").write_text("not a picture")
    done = stitch("join", scans)
    assert done.returncode == 3
    assert "B2.tif" in done.stderr
    assert len(done.stderr.strip().splitlines()) <= 3
    assert not (tmp_path / "scans-joined").exists()


def test_everything_that_was_noticed_is_said_together(tmp_path: Path) -> None:
    found = tiles(picture(36))
    scans = write_scans(tmp_path / "scans", dict(list(found.items())[:3]))
    write_scans(scans, {"B2": found["B2"]}, resolution=(100, 100))
    write_scans(scans, {"again": found["A1"]})
    done = stitch("join", scans)
    assert done.returncode == 3
    assert "B2" in done.stderr and "again" in done.stderr
    assert "100" in done.stderr
    assert not (tmp_path / "scans-joined").exists()


def test_a_file_of_somebody_else_is_not_replaced_without_force(tmp_path: Path) -> None:
    scans = write_scans(tmp_path / "scans", tiles(picture(33)))
    job = tmp_path / "scans-joined"
    job.mkdir()
    (job / "master.tif").write_text("precious")
    assert stitch("join", scans).returncode == 5
    assert (job / "master.tif").read_text() == "precious"
    assert stitch("join", scans, "--force").returncode == 0
    assert (job / "master.tif").stat().st_size > 1000


def test_too_little_memory_names_the_smallest_that_works(tmp_path: Path) -> None:
    scans = write_scans(tmp_path / "scans", tiles(picture(34)))
    done = stitch("join", scans, "--memory", "20MB")
    assert done.returncode == 2
    assert "MB" in done.stderr
    assert not (tmp_path / "scans-joined" / "master.tif").exists()


@pytest.mark.skipif(sys.platform == "win32", reason="signals work otherwise there")
@pytest.mark.parametrize("seed", [0, 1, *SLOW_SEEDS])
def test_ctrl_c_at_any_moment_leaves_no_half_master(tmp_path: Path, seed: int) -> None:
    scans = jittered_scans(12, tmp_path / "scans")
    before = hashes(scans)
    child = subprocess.Popen(
        [sys.executable, "-m", "stitch", "join", str(scans)], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
    )
    time.sleep(random.Random(seed).uniform(0.3, 2.5))
    child.send_signal(signal.SIGINT)
    _, words = child.communicate(timeout=60)
    job = tmp_path / "scans-joined"
    assert child.returncode in (0, 130), words.decode()
    assert hashes(scans) == before
    assert not (job / "work" / "scratch").exists()
    assert not list(job.glob("*.part*"))
    if child.returncode == 130:
        assert b"Traceback" not in words
    assert stitch("join", scans).returncode == 0


@pytest.mark.skipif(not hasattr(os, "setsid") or sys.platform == "darwin", reason="needs a file-size limit")
@pytest.mark.parametrize("limit", [200_000, pytest.param(2_000_000, marks=pytest.mark.slow)])
def test_a_disk_that_fills_up_leaves_no_half_master(tmp_path: Path, limit: int) -> None:
    """The limit is on the size of one file (RLIMIT_FSIZE); the system refuses the write as a full disk would."""
    import resource

    scans = jittered_scans(13, tmp_path / "scans")
    before = hashes(scans)

    def limited() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

    done = stitch("join", scans, preexec_fn=limited)
    job = tmp_path / "scans-joined"
    assert done.returncode == 5, done.stderr
    assert not (job / "master.tif").exists()
    assert not list(job.glob("*.part*"))
    assert not (job / "work" / "scratch").exists()
    assert hashes(scans) == before
    assert stitch("join", scans).returncode == 0


def test_two_runs_on_one_job_do_not_meet(tmp_path: Path) -> None:
    scans = jittered_scans(14, tmp_path / "scans")
    runs = [
        subprocess.Popen(
            [sys.executable, "-m", "stitch", "join", str(scans)], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
        )
        for _ in range(2)
    ]
    words = [run.communicate(timeout=120)[1].decode() for run in runs]
    codes = sorted(run.returncode for run in runs)
    assert codes in ([0, 5], [0, 0]), words
    if codes == [0, 5]:
        assert any("Another run" in text for text in words)


def test_pieces_of_white_paper_alone_are_refused(tmp_path: Path) -> None:
    rng = np.random.default_rng(15)
    blank = {
        name: (62000 + 60 * rng.standard_normal((460, 420, 3))).astype(np.uint16) for name in ("A1", "A2", "B1", "B2")
    }
    scans = write_scans(tmp_path / "scans", blank)
    done = stitch("join", scans)
    assert done.returncode == 4
    assert not (tmp_path / "scans-joined" / "master.tif").exists()
