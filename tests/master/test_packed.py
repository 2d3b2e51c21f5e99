"""Packed masters, read by other readers: Pillow, libtiff's tools and tifffile; every byte, every kind."""

from __future__ import annotations

import hashlib
import shutil
import subprocess
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from PIL import Image

from stitch.errors import WriteError
from stitch.master import readback
from stitch.master.layout import ROWS_PER_STRIP, Kind
from stitch.master.strips import LARGEST_SHARE, TAG_VALUE
from stitch.master.writer import MasterWriter
from stitch.model.settings import Compression
from stitch.scans.readers import open_image
from tests.master.test_writer import noise, spec_of

PACKED = [one for one in Compression if one is not Compression.NONE]


def painted(width: int, height: int, bits: int) -> np.ndarray:
    """Smooth colour with a little noise, as a master is."""
    y, x = np.mgrid[:height, :width]
    light = 0.5 + 0.3 * (np.sin(x / 30) * np.cos(y / 40))[..., None] * np.array([1.0, 0.8, 0.6])
    light = light + np.random.default_rng(2).normal(0, 0.002, (height, width, 3))
    return np.round(light.clip(0, 1) * (2**bits - 1)).astype({8: np.uint8, 16: np.uint16}[bits])


def written(path: Path, pixels: np.ndarray, compression: Compression, *, kind: Kind | None = None, jobs: int = 2):
    bits = pixels.dtype.itemsize * 8
    spec = spec_of(pixels.shape[1], pixels.shape[0], bits=bits, title="Low tide", compression=compression)
    with MasterWriter(path, spec, kind=kind, jobs=jobs, has_alpha=pixels.shape[2] == 4) as out:
        for top in range(0, len(pixels), 37):
            out.write_rows(pixels[top : top + 37])
        return out.finish()


@pytest.mark.parametrize("compression", PACKED)
@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("height", [1, 63, 64, 65, 300])
def test_every_pixel_comes_back(tmp_path: Path, compression: Compression, bits: int, height: int) -> None:
    pixels = painted(211, height, bits)
    path = tmp_path / "a.tif"
    record = written(path, pixels, compression)
    assert np.array_equal(tifffile.imread(path), pixels)
    if compression is not Compression.ZSTD:  # OpenCV's own libtiff knows no Zstandard
        assert np.array_equal(cv2.imread(str(path), cv2.IMREAD_UNCHANGED)[..., ::-1], pixels)
    assert record.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert record.byte_count == path.stat().st_size
    with tifffile.TiffFile(path) as file:
        page = file.pages.first
        assert page.tags[259].value == TAG_VALUE[compression] and page.tags[317].value == 2
        assert page.rowsperstrip == min(ROWS_PER_STRIP, height)


@pytest.mark.parametrize("compression", PACKED)
@pytest.mark.parametrize("kind", Kind)
def test_both_kinds_of_tiff(tmp_path: Path, compression: Compression, kind: Kind) -> None:
    pixels = painted(90, 200, 16)
    record = written(tmp_path / "a.tif", pixels, compression, kind=kind)
    assert record.is_bigtiff == (kind is Kind.BIG)
    assert np.array_equal(tifffile.imread(tmp_path / "a.tif"), pixels)


@pytest.mark.parametrize("compression", PACKED)
def test_our_own_reader_gives_any_window(tmp_path: Path, compression: Compression) -> None:
    pixels = painted(300, 210, 16)
    written(tmp_path / "a.tif", pixels, compression)
    _, source = open_image(tmp_path / "a.tif", scratch=tmp_path)
    try:
        window = source.size.window().grown(-50)
        assert np.array_equal(source.read(window), pixels[50:-50, 50:-50])
    finally:
        source.close()


@pytest.mark.parametrize("compression", [Compression.LZW, Compression.DEFLATE])
def test_pillow_and_libtiff_read_it(tmp_path: Path, compression: Compression) -> None:
    pixels = painted(120, 130, 8)
    path = tmp_path / "a.tif"
    written(path, pixels, compression)
    with Image.open(path) as image:
        assert np.array_equal(np.asarray(image), pixels)
    if shutil.which("tiffinfo"):
        done = subprocess.run(["tiffinfo", "-D", path], capture_output=True, text=True)
        assert done.returncode == 0 and not done.stderr
        assert "horizontal differencing" in done.stdout


def test_threads_and_bursts_change_no_byte(tmp_path: Path) -> None:
    pixels = painted(100, 400, 16)
    files = []
    for jobs in (1, 4):
        written(tmp_path / f"{jobs}.tif", pixels, Compression.DEFLATE, jobs=jobs)
        with tifffile.TiffFile(tmp_path / f"{jobs}.tif") as file:
            page = file.pages.first
            files.append([file.filehandle.seek(at) or file.filehandle.read(n) for at, n in _places(page)])
    assert files[0] == files[1]


def _places(page: tifffile.TiffPage) -> list[tuple[int, int]]:
    return list(zip(page.dataoffsets, page.databytecounts, strict=True))


@pytest.mark.parametrize("compression", PACKED)
def test_noise_stays_below_the_stated_share(tmp_path: Path, compression: Compression) -> None:
    """What the disk's room and the kind of TIFF are decided by."""
    pixels = noise(500, 256)
    record = written(tmp_path / "a.tif", pixels, compression)
    assert 0.9 < record.byte_count / pixels.nbytes <= LARGEST_SHARE[compression] + 8000 / pixels.nbytes


def test_a_master_packs_smaller(tmp_path: Path) -> None:
    pixels = painted(500, 500, 16)
    sizes = {one: written(tmp_path / f"{one}.tif", pixels, one).byte_count for one in Compression}
    assert sizes[Compression.DEFLATE] < 0.85 * sizes[Compression.NONE]
    assert sizes[Compression.ZSTD] < 0.85 * sizes[Compression.NONE]


def test_transparency_is_packed_as_well(tmp_path: Path) -> None:
    pixels = np.dstack([painted(80, 90, 16), np.full((90, 80), 65535, np.uint16)])
    written(tmp_path / "a.tif", pixels, Compression.DEFLATE)
    assert np.array_equal(tifffile.imread(tmp_path / "a.tif"), pixels)


@pytest.mark.parametrize("place", [10, 300, -1])
def test_a_byte_that_changed_on_the_disk_is_noticed(tmp_path: Path, monkeypatch, place: int) -> None:
    def forget(path: Path) -> None:
        data = bytearray(path.read_bytes())
        data[place] ^= 1
        path.write_bytes(data)

    monkeypatch.setattr(readback, "forget_cached", forget)
    with pytest.raises(WriteError, match="reads back differently"):
        written(tmp_path / "a.tif", painted(100, 150, 16), Compression.ZSTD)
    assert not (tmp_path / "a.tif").exists()
