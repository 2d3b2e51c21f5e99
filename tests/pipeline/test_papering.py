"""`lift_paper` from file to files: whole or not at all, the original untouched, the step on record."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

from fixtures.flatbed.paintings import Kind
from fixtures.scoring.clean_paper import paper_truth
from stitch.errors import ScanError, UsageError, WriteError
from stitch.master.carried import read_carried
from stitch.pipeline.papering import PaperRequest, lift_paper

PPI = 120


def written(path: Path, codes: np.ndarray) -> Path:
    tifffile.imwrite(path, codes, photometric="rgb", resolution=(PPI, PPI), resolutionunit="INCH")
    return path


def test_the_paper_of_a_file_is_lifted(tmp_path: Path) -> None:
    truth = paper_truth(21, ppi=PPI, size_mm=(90, 90))
    path = written(tmp_path / "sheet.tif", truth.codes)
    before = hashlib.sha256(path.read_bytes()).hexdigest()
    done = lift_paper(PaperRequest(path, memory_mb=400))
    assert hashlib.sha256(path.read_bytes()).hexdigest() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        "sheet.tif",
        "sheet_paper.png",
        "sheet_paper.tif",
        "sheet_paper_mask.png",
    ]
    made = tifffile.imread(done.picture)
    assert made.dtype == np.uint16
    assert (made[truth.density < 0.001] == 65535).mean() > 0.99
    with Image.open(done.mask) as mask:
        assert mask.size == truth.codes.shape[1::-1]
        assert np.asarray(mask)[truth.density > 0.15].max() == 0
    assert "paper lifted to L* 100" in read_carried(done.picture).events[-1].told
    assert read_carried(done.picture).steps[-1][0] == "paper"
    lift_paper(PaperRequest(path))  # its own files are replaced
    Image.new("L", (3, 3)).save(done.mask)
    with pytest.raises(WriteError, match="not written by stitch"):
        lift_paper(PaperRequest(path))


def test_what_cannot_be_is_said_and_leaves_nothing(tmp_path: Path) -> None:
    path = written(tmp_path / "oil.tif", paper_truth(22, kind=Kind.OIL, ppi=PPI, size_mm=(60, 60)).codes)
    usual = PaperRequest(path, out=tmp_path / "made")
    with pytest.raises(ScanError, match="no blank paper"):
        lift_paper(usual)
    for wrong in ({"white": 50.0}, {"strength": 0.0}, {"density": 0.9}, {"at_mm": (900.0, 1.0)}):
        with pytest.raises(UsageError):
            lift_paper(replace(usual, **wrong))
    with pytest.raises((UsageError, ScanError)):
        lift_paper(replace(usual, memory_mb=100, at_mm=(4.0, 4.0)))
    assert not any((tmp_path / "made").iterdir())
