"""The label TIFF registers with the master pixel for pixel."""

from __future__ import annotations

import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

from stitch.errors import InternalFault
from stitch.master.labels import LabelWriter
from stitch.model.geometry import Size


def blocks(width: int, height: int, count: int, dtype: type) -> np.ndarray:
    y, x = np.indices((height, width))
    return ((x // 40 + y // 50 * 3) % (count + 1)).astype(dtype)


def write(path: Path, labels: np.ndarray, *, bits: int, rows: int, ids: list[str]) -> None:
    size = Size(labels.shape[1], labels.shape[0])
    with LabelWriter(path, size, bits=bits, ppi=600, scan_ids=ids) as out:
        for top in range(0, size.height_px, rows):
            out.write_rows(labels[top : top + rows])
        out.finish()


@pytest.mark.parametrize("rows", [1, 37, 64, 100, 1000])
def test_eight_bit_labels_come_back_in_another_reader(tmp_path: Path, rows: int) -> None:
    labels = blocks(130, 333, 4, np.uint8)
    write(tmp_path / "l.tif", labels, bits=8, rows=rows, ids=["a", "b", "ç", "d"])
    with Image.open(tmp_path / "l.tif") as image:
        assert image.mode == "L"
        assert image.size == (130, 333)
        assert image.info["dpi"] == (600, 600)
        np.testing.assert_array_equal(np.asarray(image), labels)


def test_sixteen_bit_labels_and_names(tmp_path: Path) -> None:
    labels = blocks(90, 70, 300, np.uint16)
    write(tmp_path / "l.tif", labels, bits=16, rows=20, ids=[f"s{n}" for n in range(300)])
    np.testing.assert_array_equal(tifffile.imread(tmp_path / "l.tif"), labels)
    with tifffile.TiffFile(tmp_path / "l.tif") as tiff:
        assert tiff.pages.first.description.startswith("0 no scan; 1 s0; 2 s1")


def test_too_many_scans_for_the_bits(tmp_path: Path) -> None:
    with pytest.raises(InternalFault, match="256 scans"):
        LabelWriter(tmp_path / "l.tif", Size(4, 4), bits=8, ppi=600, scan_ids=["s"] * 256)


def test_missing_surplus_and_unfit_rows(tmp_path: Path) -> None:
    for rows, told in [(3, "Only 3 of 4"), (5, "More rows")]:
        with (
            pytest.raises(InternalFault, match=told),
            LabelWriter(tmp_path / "l.tif", Size(4, 4), bits=8, ppi=600, scan_ids=["a"]) as out,
        ):
            out.write_rows(np.zeros((rows, 4), np.uint8))
            out.finish()
    with pytest.raises(InternalFault, match="do not fit"):
        LabelWriter(tmp_path / "l.tif", Size(4, 4), bits=8, ppi=600, scan_ids=["a"]).write_rows(
            np.zeros((4, 5), np.uint8)
        )
    assert list(tmp_path.iterdir()) == []


def test_memory_stays_small(tmp_path: Path) -> None:
    """48 million labels, of which never more than a few strips are held unpacked."""
    size = Size(8000, 6000)
    rows = np.repeat(np.arange(1, 5, dtype=np.uint8), 2000)[None].repeat(64, axis=0)
    tracemalloc.start()
    try:
        with LabelWriter(tmp_path / "l.tif", size, bits=8, ppi=600, scan_ids=list("abcd")) as out:
            for top in range(0, 6000, 64):
                out.write_rows(rows[: min(64, 6000 - top)])
            out.finish()
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 8e6
