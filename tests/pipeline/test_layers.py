"""Layers for a retoucher: whole, in step with the master, and nothing else is done for them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import tifffile

from stitch.errors import WriteError
from stitch.job import disk
from stitch.pipeline.layering import layer_files
from tests.pipeline.jobs import hashes
from tests.pipeline.wishing import IN_BOTH, codes, kept, region, results, run, stitch


def composited(job: Path) -> np.ndarray:
    whole = np.zeros((810, 740, 3), np.uint16)
    for files in layer_files(job / "layers", ("A1", "A2", "B1", "B2")):
        mask = tifffile.imread(files.mask)
        assert mask.dtype == np.uint8 and set(np.unique(mask)) == {0, 255}
        whole[mask == 255] = tifffile.imread(files.picture)[mask == 255][:, :3]
    return whole


def test_layers_are_added_follow_the_seams_and_go_again(tiled_job: Path) -> None:
    master = hashes(tiled_job)["master.tif"]
    found = run(tiled_job, layers=True)
    assert kept(found) == {"register", "tone", "seams", "master", "size"} and "layers" in codes(found)
    assert hashes(tiled_job)["master.tif"] == master
    np.testing.assert_array_equal(composited(tiled_job), tifffile.imread(tiled_job / "master.tif"))
    with (
        tifffile.TiffFile(tiled_job / "layers" / "A1.tif") as layer,
        tifffile.TiffFile(tiled_job / "master.tif") as whole,
    ):
        page, tags = layer.pages[0], whole.pages[0].tags
        assert page.shape == (810, 740, 4) and page.extrasamples == (2,)
        assert all(page.tags[name].value == tags[name].value for name in ("XResolution", "YResolution"))
        assert b"not cut, not blended" in page.tags[700].value and b"A2.tif" not in page.tags[700].value
    assert stitch("verify", tiled_job).exit_code == 0
    assert "layers/B2_mask.tif" in (tiled_job / "checksums.sha256").read_text()
    assert "nothing-changed" in codes(run(tiled_job))

    (tiled_job / "seams.csv").write_text(f'prefer,A2,"{region(IN_BOTH)}"\n')
    assert kept(run(tiled_job)) == {"register", "tone", "layers"}
    np.testing.assert_array_equal(composited(tiled_job), tifffile.imread(tiled_job / "master.tif"))

    layers = tiled_job / "layers"
    (layers / "mine.txt").write_text("a note")
    (layers / "A1.tif").unlink()
    run(tiled_job, layers=False)
    assert [path.name for path in layers.iterdir()] == ["mine.txt"]


def test_a_layer_worked_on_is_never_written_over(tiled_job: Path) -> None:
    (tiled_job / "layers").mkdir()
    (tiled_job / "layers" / "a2.tif").write_bytes(b"mine")
    (tiled_job / "layers" / "A2.tif").write_bytes(b"mine")
    before = results(tiled_job)
    with pytest.raises(WriteError, match=r"A2\.tif was not written by this job"):
        run(tiled_job, layers=True)
    assert results(tiled_job) == before


def test_no_room_on_the_disk_is_told_and_leaves_no_layer(tiled_job: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    four_layers = 4 * 740 * 810 * 8
    monkeypatch.setattr(disk, "free_bytes", lambda folder: disk.RESERVE_BYTES + four_layers)
    with pytest.raises(WriteError, match="The disk has"):
        run(tiled_job, layers=True)
    assert not (tiled_job / "layers").exists()


def test_names_that_would_fall_together_are_told_apart() -> None:
    names = ("a", "A", "a_mask", "sub/b.tif", "end. ", "...")
    found = layer_files(Path("layers"), names)
    files = [path.name.casefold() for one in found for path in one.both]
    assert len(set(files)) == len(files) == 12
    assert found[0].picture.name == "a.tif" and found[3].picture.name == "sub_b.tif.tif"
    assert all(path.parent == Path("layers") for one in found for path in one.both)
