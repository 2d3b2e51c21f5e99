"""`cut_out` from file to files: a straight alpha PNG of the size asked for, corrected by marks."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from PIL import Image

from fixtures.flatbed.profiles import Profile, profile_bytes
from fixtures.scoring.clean_cutout import cutout_truth
from stitch.errors import ScanError, UsageError
from stitch.pipeline.cutting_out import CutoutRequest, cut_out

PPI = 150


@pytest.fixture(scope="module")
def sheet(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, np.ndarray]:
    truth = cutout_truth(41, ppi=PPI)
    path = tmp_path_factory.mktemp("motif") / "motif.tif"
    profile = profile_bytes(Profile.SRGB)
    tifffile.imwrite(
        path, truth.codes, photometric="rgb", resolution=(PPI, PPI), resolutionunit="INCH", iccprofile=profile
    )
    return path, truth.alpha


def read(path: Path) -> np.ndarray:
    return np.asarray(cv2.imread(str(path), cv2.IMREAD_UNCHANGED))


def test_a_motif_is_cut_out_trimmed_and_told(sheet: tuple[Path, np.ndarray], tmp_path: Path) -> None:
    path, alpha = sheet
    before = path.read_bytes()
    done = cut_out(CutoutRequest(path, out=tmp_path, memory_mb=500))
    assert path.read_bytes() == before
    made, mask = read(done.picture), read(done.mask)
    assert made.dtype == np.uint16 and made.shape[2] == 4
    rows, columns = np.nonzero(alpha > 0.5)
    margin = 2 * PPI / 25.4
    assert made.shape[0] == pytest.approx(np.ptp(rows) + 1 + 2 * margin, abs=8)
    assert made.shape[1] == pytest.approx(np.ptp(columns) + 1 + 2 * margin, abs=8)
    assert mask.shape == alpha.shape
    with Image.open(done.picture) as image:
        image.load()
        assert image.info["dpi"] == pytest.approx((PPI, PPI), abs=0.05)
        assert image.info["icc_profile"] == profile_bytes(Profile.SRGB)
        assert b"motif cut out" in image.info["xmp"]
    with Image.open(done.comparison) as board:
        assert board.size[0] > 3 * 400
    assert done.motif_fraction == pytest.approx((alpha + 0.0).mean(), abs=0.06)  # its hole is kept


def test_it_has_the_size_that_was_asked_for(sheet: tuple[Path, np.ndarray], tmp_path: Path) -> None:
    usual = CutoutRequest(sheet[0], out=tmp_path, width_mm=40.0, dpi=100.0, bits=8, margin_mm=0.0)
    done = cut_out(usual)
    made = read(done.picture)
    assert made.dtype == np.uint8 and made.shape[1] == round(40 / 25.4 * 100)
    edge = (made[..., 3] > 60) & (made[..., 3] < 200)
    assert edge.sum() > 50
    assert np.median(made[edge][:, :3]) < 190  # the paper, at 240, is not in the edges
    for wrong in ({"width_mm": 400.0}, {"bits": 12}, {"height_mm": 3.0}, {"ground_mm": (999.0, 1.0)}):
        with pytest.raises(UsageError):
            cut_out(replace(usual, **wrong))


def test_marks_painted_over_the_mask_count(sheet: tuple[Path, np.ndarray], tmp_path: Path) -> None:
    first = cut_out(CutoutRequest(sheet[0], out=tmp_path, ground_mm=(3.0, 3.0)))
    painted = read(first.mask)
    hole = np.zeros(painted.shape, bool)
    hole[painted.shape[0] // 2 - 15 : painted.shape[0] // 2 + 15, painted.shape[1] // 2 - 15 :][:, :30] = True
    painted[hole], painted[5:25, 5:25] = 0, 255
    marks = tmp_path / "mine.png"
    cv2.imwrite(str(marks), painted)
    second = cut_out(CutoutRequest(sheet[0], out=tmp_path, marks=marks))
    mask = read(second.mask)
    assert mask[hole].max() == 0 and mask[5:25, 5:25].min() == 255
    assert second.size.width_px > first.size.width_px  # what was marked as motif is not trimmed away
    with pytest.raises(UsageError, match="written over"):
        cut_out(CutoutRequest(sheet[0], out=tmp_path, marks=first.mask))
    cv2.imwrite(str(marks), painted[:100])
    with pytest.raises(UsageError, match="another shape"):
        cut_out(CutoutRequest(sheet[0], out=tmp_path, marks=marks))


def test_nothing_but_ground_is_said(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    plain = (50000 + 200 * rng.standard_normal((300, 300, 3))).astype(np.uint16)
    path = tmp_path / "plain.tif"
    tifffile.imwrite(path, plain, photometric="rgb", resolution=(PPI, PPI), resolutionunit="INCH")
    with pytest.raises(ScanError, match="nothing but its ground"):
        cut_out(CutoutRequest(path))
    assert [one.name for one in tmp_path.iterdir()] == ["plain.tif"]
