"""`mend_dust` on a joined job and on a file alone: proven specks go, the rest is asked, the list is honoured."""

from __future__ import annotations

import hashlib
import re
import shlex
from pathlib import Path

import numpy as np
import pytest
import tifffile

from stitch.dust.book import read_spots
from stitch.errors import UsageError
from stitch.master.carried import read_carried
from stitch.model.dust import Proof, Verdict
from stitch.pipeline import join
from stitch.pipeline.dusting import DustRequest, mend_dust
from tests.pipeline.jobs import PPI, picture, request, stitch, tiles, write_scans

ON_GLASS = [(100, 90), (300, 200), (200, 350), (350, 400), (60, 300)]  # px of every scan


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("dusty")
    whole = (picture(71).astype(np.float32) * 0.4 + 24000).astype(np.uint16)
    scans = {}
    for name, tile in tiles(whole).items():
        scans[name] = tile.copy()
        y, x = np.mgrid[: tile.shape[0], : tile.shape[1]]
        for at_x, at_y in ON_GLASS:
            scans[name][np.hypot(x - at_x, y - at_y) < 2.5] = 3000
    assert join(request(write_scans(place / "scans", scans))).exit_code == 0
    return place / "scans-joined"


def test_dust_on_the_glass_is_mended_and_the_list_is_honoured(job: Path, tmp_path: Path) -> None:
    master = job / "master.tif"
    before = hashlib.sha256(master.read_bytes()).hexdigest()
    done = mend_dust(DustRequest(master, job=job, out=tmp_path, limit=0.02, memory_mb=400))
    assert hashlib.sha256(master.read_bytes()).hexdigest() == before
    assert done.picture is not None
    proven = [one for one in done.spots if one.proof is Proof.GLASS]
    assert len(proven) >= 10
    dirty, clean = tifffile.imread(master).astype(int), tifffile.imread(done.picture).astype(int)
    assert (dirty.max(axis=2) < 6000).sum() > 150
    assert (clean.max(axis=2) < 6000).sum() < 0.1 * (dirty.max(axis=2) < 6000).sum()
    assert (dirty != clean).any(axis=2).mean() < 2 * done.mended_fraction
    assert "specks of dust mended" in read_carried(done.picture).events[-1].told
    assert read_carried(done.picture).steps[-1][0] == "dust"
    refused = proven[0].number
    again = mend_dust(DustRequest(master, job=job, out=tmp_path, keep=(refused,), limit=0.02))
    assert {one.number: one.verdict for one in again.spots}[refused] is Verdict.KEEP
    third = mend_dust(DustRequest(master, job=job, out=tmp_path, limit=0.02))
    assert {one.number: one.verdict for one in third.spots}[refused] is Verdict.KEEP
    assert len(third.spots) == len(done.spots)
    made = tifffile.imread(third.picture).astype(int)
    x, y = (round(mm * PPI / 25.4 - 0.5) for mm in (proven[0].x_mm, proven[0].y_mm))
    assert made[y, x].max() < 6000 < clean[y, x].max()


def test_the_command_of_the_readme(job: Path, tmp_path: Path) -> None:
    readme = (Path(__file__).resolve().parents[2] / "README.md").read_text("utf-8")
    (command,) = re.findall(r"^stitch (dust .*)$", readme, re.MULTILINE)
    done = stitch(*shlex.split(command), "--out", tmp_path, cwd=job.parent)
    assert done.returncode == 0, done.stderr
    assert "mended" in done.stderr and (tmp_path / "master_dust.tif").exists()


def test_a_file_alone_is_only_asked_about(job: Path, tmp_path: Path) -> None:
    done = mend_dust(DustRequest(job / "master.tif", out=tmp_path))
    assert {one.verdict for one in done.spots} <= {Verdict.ASK}
    assert np.array_equal(tifffile.imread(done.picture), tifffile.imread(job / "master.tif"))
    accepted = done.spots[0].number
    mended = mend_dust(DustRequest(job / "master.tif", out=tmp_path, mend=(accepted,), limit=0.05))
    assert mended.mended_fraction > 0
    with pytest.raises(UsageError, match="no number 9999"):
        mend_dust(DustRequest(job / "master.tif", out=tmp_path, mend=(9999,)))


def test_more_than_the_limit_is_not_mended(job: Path, tmp_path: Path) -> None:
    done = mend_dust(DustRequest(job / "master.tif", job=job, out=tmp_path, limit=1e-5))
    assert done.picture is None
    assert not (tmp_path / "master_dust.tif").exists()
    assert read_spots(done.book) == done.spots and done.sheet.exists() and done.mask.exists()


def test_a_picture_of_another_size_is_refused(job: Path, tmp_path: Path) -> None:
    path = tmp_path / "part.tif"
    tifffile.imwrite(path, picture(71)[:300, :200], photometric="rgb", resolution=(PPI, PPI), resolutionunit="INCH")
    with pytest.raises(UsageError, match="do not show the same places"):
        mend_dust(DustRequest(path, job=job))
    with pytest.raises(UsageError, match="--limit"):
        mend_dust(DustRequest(path, limit=0.9))
