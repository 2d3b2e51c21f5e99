"""A second run redoes what changed and nothing else, says so, and can say so beforehand."""

from __future__ import annotations

import shutil
import time
from pathlib import Path

import numpy as np
import pytest
import tifffile

from stitch.model.request import JoinRequest
from stitch.model.settings import JoinSettings
from stitch.pipeline import join, plan
from tests.pipeline.desk import desk_scans
from tests.pipeline.jobs import hashes, stitch


@pytest.fixture
def job(tmp_path: Path) -> Path:
    scans = desk_scans(tmp_path / "scans", 3)
    assert run(scans).exit_code == 0
    return tmp_path / "scans-joined"


def request(place: Path, **more: object) -> JoinRequest:
    settings = {name: more.pop(name) for name in list(more) if name in JoinSettings.__dataclass_fields__}
    return JoinRequest((place,), JoinSettings(**settings), given=tuple(settings), **more)


def run(place: Path, **more: object) -> object:
    return join(request(place, **more))


def kept(summary: object) -> list[str]:
    return [timing.room for timing in summary.timings if timing.is_kept]


CORNERS = np.array([[0.0, 400.0], [0.0, 400.0], [1.0, 1.0]])
ROOMS = ["scans", "register", "tone", "seams", "master", "size"]


def test_nothing_changed_does_nothing_and_says_so_at_once(job: Path) -> None:
    before = hashes(job)
    started = time.perf_counter()
    found = run(job)
    assert time.perf_counter() - started < 2
    assert kept(found) == ROOMS
    assert next(one.code for one in found.findings) == "nothing-changed"
    assert found.master is not None and found.exit_code == 0
    assert hashes(job) == before
    assert [step.is_kept for step in plan(request(job))] == [True] * 6


def test_rehash_reads_every_scan_again(job: Path) -> None:
    assert kept(run(job, rehash=True)) == ROOMS[1:]


def test_a_changed_result_is_not_taken_for_unchanged(job: Path) -> None:
    (job / "report.json").unlink()
    run(job)
    assert (job / "report.json").exists()


def test_a_tie_redoes_the_solve_and_what_follows_but_no_feature(job: Path) -> None:
    known = hashes(job / "work" / "known")
    (job / "ties.csv").write_text("A1,400,200,A2,76,200\n")
    steps = plan(request(job))
    assert [step.is_kept for step in steps] == [True] + [False] * 5
    assert steps[1].why == "ties.csv changed"
    found = run(job)
    assert kept(found) == ["scans"]
    (note,) = [one.message for one in found.findings if one.code == "kept"]
    assert "Kept: looking at the scans." in note and "ties.csv changed" in note
    assert hashes(job / "work" / "known") == known
    shutil.rmtree(job / "work")
    afresh = run(job)
    assert kept(afresh) == []
    for one, other in zip(found.layout.placements, afresh.layout.placements, strict=True):
        np.testing.assert_allclose(one.matrix @ CORNERS, other.matrix @ CORNERS, atol=0.01)


def test_a_plan_writes_nothing(job: Path) -> None:
    before = hashes(job)
    told = stitch("join", job, "--up", "90", "--dry-run")
    assert told.returncode == 0
    assert told.stdout.splitlines()[0].startswith("keep looking at the scans")
    assert "--up changed" in told.stdout
    assert hashes(job) == before


def test_a_replaced_scan_redoes_only_its_own_pairs(job: Path) -> None:
    known = set(hashes(job / "work" / "known"))
    path = job.parent / "scans" / "B2.tif"
    with tifffile.TiffFile(path) as file:
        pixels = file.pages[0].asarray()
    rng = np.random.default_rng(1)
    changed = np.clip(pixels.astype(int) + rng.integers(-60, 60, pixels.shape), 0, 65535).astype(np.uint16)
    tifffile.imwrite(path, changed, resolution=(200, 200), resolutionunit="INCH", photometric="rgb")
    assert run(job).exit_code == 0
    now = set(hashes(job / "work" / "known"))
    per_scan, per_pair, own_pairs = (
        3,
        2,
        3,
    )  # copy, look and features; comparison and patches; with each of the three others
    assert len(now - known) == len(known - now) == per_scan + per_pair * own_pairs
