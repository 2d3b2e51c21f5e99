"""What a read touches, what it keeps, and that threads and systems without `preadv` get the same."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from stitch.imaging.windows import bands, blocks
from stitch.model.geometry import Size, Window
from stitch.scans import segments
from stitch.scans.cache import ByteLimitedCache
from stitch.scans.facts import PageFacts
from stitch.scans.positioned import PositionedFile
from stitch.scans.readers import open_scan
from stitch.scans.sources import header, open_stored
from tests.scans.pictures import painting, read_scan, scan_of, write_tiff

LAYOUTS: list[dict[str, Any]] = [
    {"rowsperstrip": 61},
    {"rowsperstrip": 7},
    {"tile": (32, 16)},
    {"planarconfig": "separate", "rowsperstrip": 10},
    {"planarconfig": "separate", "tile": (16, 16), "byteorder": ">"},
    {"compression": "zlib", "predictor": True, "rowsperstrip": 7},
    {"compression": "lzw", "tile": (16, 32)},
    {"compression": "zstd", "planarconfig": "separate", "rowsperstrip": 9},
]


@pytest.fixture(scope="module", params=range(len(LAYOUTS)))
def opened(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """An open source and its whole picture."""
    folder = tmp_path_factory.mktemp("layout")
    pixels = painting(seed=request.param)
    scan = scan_of(write_tiff(folder / "a.tif", pixels, **LAYOUTS[request.param]), folder / "scratch")
    source = open_scan(scan, scratch=folder / "scratch")
    yield source, pixels
    source.close()


@settings(deadline=None, max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_window_equals_that_part_of_the_whole(opened: Any, data: st.DataObject) -> None:
    source, pixels = opened
    height, width = pixels.shape[:2]
    x0, y0 = data.draw(st.integers(0, width)), data.draw(st.integers(0, height))
    window = Window(x0, y0, data.draw(st.integers(0, width - x0)), data.draw(st.integers(0, height - y0)))
    got = source.read(window)
    assert got.dtype == pixels.dtype
    assert np.array_equal(got, pixels[window.y0_px : window.y1_px, window.x0_px : window.x1_px])


@pytest.mark.parametrize(
    "window", [Window(-1, 0, 5, 5), Window(0, 0, 84, 5), Window(80, 60, 3, 2), Window(90, 0, 1, 1)]
)
def test_a_window_outside_is_a_mistake(opened: Any, window: Window) -> None:
    with pytest.raises(ValueError, match="does not lie inside"):
        opened[0].read(window)


def test_many_threads_get_the_same(opened: Any) -> None:
    source, pixels = opened
    windows = list(blocks(source.size.window(), 17, 13)) * 4
    with ThreadPoolExecutor(6) as pool:
        parts = list(pool.map(source.read, windows))
    for window, part in zip(windows, parts, strict=True):
        assert np.array_equal(part, pixels[window.y0_px : window.y1_px, window.x0_px : window.x1_px])


@pytest.mark.parametrize("options", LAYOUTS)
def test_without_preadv(
    options: dict[str, Any], tmp_path: Path, scratch: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on Windows: the fall-back of a lock, seek and read, forced; from several threads."""
    pixels = painting()
    path = write_tiff(tmp_path / "a.tif", pixels, **options)
    monkeypatch.delattr(os, "preadv", raising=False)
    monkeypatch.delattr(os, "pread", raising=False)
    scan = scan_of(path, scratch)
    assert np.array_equal(read_scan(scan, scratch), pixels)
    source = open_scan(scan, scratch=scratch)
    windows = list(bands(source.size, 3)) * 3
    with ThreadPoolExecutor(6) as pool:
        for window, part in zip(windows, pool.map(source.read, windows), strict=True):
            assert np.array_equal(part, pixels[window.y0_px : window.y1_px])
    source.close()


@pytest.mark.parametrize("has_preadv", [True, False])
def test_positioned_file(has_preadv: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    if not has_preadv:
        monkeypatch.delattr(os, "preadv", raising=False)
    path = tmp_path / "ä 漢 😀.bin"
    path.write_bytes(bytes(range(200)))
    file = PositionedFile(path)
    assert file.size() == 200
    assert bytes(file.read(10, 5)) == bytes([10, 11, 12, 13, 14])
    assert bytes(file.read(0, 200)) == path.read_bytes()
    assert bytes(file.read(200, 0)) == b""
    with pytest.raises(EOFError, match="ends at byte 200"):
        file.read(190, 11)
    file.close()


def recorded(monkeypatch: pytest.MonkeyPatch) -> list[tuple[int, int]]:
    """Every (offset, bytes) read from a file from now on."""
    reads: list[tuple[int, int]] = []
    original = PositionedFile.read_into

    def record(self: PositionedFile, buffer: memoryview, offset: int) -> None:
        reads.append((offset, len(buffer)))
        original(self, buffer, offset)

    monkeypatch.setattr(PositionedFile, "read_into", record)
    return reads


@pytest.mark.parametrize(("x0", "width"), [(0, 300), (20, 40), (10, 250)])
@pytest.mark.parametrize("rows", [1, 16, 200])
def test_an_uncompressed_read_touches_only_its_rows(
    rows: int, x0: int, width: int, tmp_path: Path, scratch: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write_tiff(tmp_path / "a.tif", painting(200, 300), rowsperstrip=rows)
    with tifffile.TiffFile(path) as tiff:
        start = tiff.pages[0].dataoffsets[0]
    source = open_scan(scan_of(path, scratch), scratch=scratch)
    reads = recorded(monkeypatch)
    source.read(Window(x0, 50, width, 20))
    source.close()
    row_bytes = 300 * 3 * 2
    assert all(start + 50 * row_bytes <= offset for offset, _ in reads)
    assert all(offset + count <= start + 70 * row_bytes for offset, count in reads)
    total = sum(count for _, count in reads)
    needed = 20 * width * 6
    assert needed <= total <= 2 * needed


def test_an_uncompressed_file_is_read_once_for_checksum_and_clipping(
    tmp_path: Path, scratch: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write_tiff(tmp_path / "a.tif", painting(200, 300), rowsperstrip=16)
    reads = recorded(monkeypatch)
    scan_of(path, scratch)
    assert sum(count for _, count in reads) == path.stat().st_size


def counting_decoder(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    decoded: list[int] = []
    original = segments.decode_segment

    def count(file: Any, offset: int, byte_count: int, decode: Any, index: int) -> Any:
        decoded.append(index)
        return original(file, offset, byte_count, decode, index)

    monkeypatch.setattr(segments, "decode_segment", count)
    return decoded


@pytest.mark.parametrize("options", [{"rowsperstrip": 7}, {"tile": (16, 16)}])
@pytest.mark.parametrize("band", [1, 3, 10, 61])
@pytest.mark.parametrize("orientation", [1, 3, 4])
def test_band_by_band_decodes_every_segment_once(
    options: dict[str, Any],
    band: int,
    orientation: int,
    tmp_path: Path,
    scratch: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """With room for little more than two rows of segments."""
    tag = {"extratags": [(274, "H", 1, orientation, True)]}
    path = write_tiff(tmp_path / "a.tif", painting(), compression="lzw", **options, **tag)
    scan = scan_of(path, scratch)
    band_bytes = 6 * (7 * 83 if "rowsperstrip" in options else 16 * 16 * 6)
    source = open_scan(scan, scratch=scratch, cache_bytes=2 * band_bytes)
    decoded = counting_decoder(monkeypatch)
    for window in bands(source.size, band):
        source.read(window)
    source.close()
    assert list(scratch.iterdir()) == []  # no working copy was needed
    assert sorted(decoded) == sorted(set(decoded))
    assert len(decoded) == (9 if "rowsperstrip" in options else 4 * 6)


def test_a_single_strip_is_decoded_once_into_a_working_copy(tmp_path: Path, scratch: Path) -> None:
    path = write_tiff(tmp_path / "a.tif", painting(), compression="lzw", rowsperstrip=61)
    page = header(path, 0)
    assert not isinstance(page, PageFacts)
    stored = open_stored(path, page, "0" * 64, scratch=scratch, cache_bytes=1000)
    stored.close()
    (copy,) = scratch.iterdir()
    assert copy.stat().st_size == 61 * 83 * 6
    assert copy.name == "0" * 64 + "-0.v1.raw"


def test_a_cut_working_copy_is_made_again(tmp_path: Path, scratch: Path) -> None:
    pixels = painting()
    scan = scan_of(write_tiff(tmp_path / "a.tif", pixels, compression="lzw", rowsperstrip=61), scratch)
    read_scan(scan, scratch, cache_bytes=0)
    (copy,) = scratch.iterdir()
    copy.write_bytes(copy.read_bytes()[:1000])
    assert np.array_equal(read_scan(scan, scratch, cache_bytes=0), pixels)


def array(size: int) -> np.ndarray:
    return np.zeros(size, np.uint8)


def test_cache_keeps_what_was_used_last_within_its_limit() -> None:
    cache: ByteLimitedCache[str] = ByteLimitedCache(100)
    made: list[str] = []

    def make(key: str) -> np.ndarray:
        made.append(key)
        return array(150 if key == "large" else 40)

    for key in ["a", "b", "a", "c", "a", "b", "large", "large", "a"]:
        cache.get(key, make)
        assert cache.kept_bytes <= 100
    assert made == ["a", "b", "c", "b", "large", "large"]
    cache.clear()
    assert cache.kept_bytes == 0


def test_cache_makes_each_array_once_for_all_who_wait() -> None:
    cache: ByteLimitedCache[int] = ByteLimitedCache(1000)
    gate, made = threading.Event(), []

    def make(key: int) -> np.ndarray:
        made.append(key)
        gate.wait(5)
        return array(10)

    with ThreadPoolExecutor(4) as pool:
        waiting = [pool.submit(cache.get, 1, make) for _ in range(4)]
        gate.set()
        results = [future.result() for future in waiting]
    assert made == [1]
    assert all(result is results[0] for result in results)


def test_cache_passes_a_failure_on_and_tries_again() -> None:
    cache: ByteLimitedCache[int] = ByteLimitedCache(1000)

    def fail(key: int) -> np.ndarray:
        raise ValueError("damaged")

    for _ in range(2):
        with pytest.raises(ValueError, match="damaged"):
            cache.get(1, fail)
    assert cache.get(1, lambda key: array(3)).size == 3


MEMORY_CHILD = """
import json, sys
from pathlib import Path
import psutil, threading
from stitch.imaging.windows import bands
from stitch.scans.inspect import inspect
from stitch.scans.readers import open_scan
path, scratch = Path(sys.argv[1]), Path(sys.argv[2])
process = psutil.Process()
base = process.memory_info().rss
peak, stop = [base], threading.Event()
def watch():
    while not stop.wait(0.001):
        peak[0] = max(peak[0], process.memory_info().rss)
thread = threading.Thread(target=watch); thread.start()
scan = inspect(path, (), scratch=scratch).scans[0]
source = open_scan(scan, scratch=scratch)
total = 0
for band in bands(source.size, 64):
    total += int(source.read(band)[0, 0, 0])
source.close()
stop.set(); thread.join()
print(json.dumps({"grown_mb": (peak[0] - base) / 1e6, "picture_mb": scan.size.megapixels * 6}))
"""


@pytest.mark.parametrize(
    ("name", "options"),
    [
        ("plain strips", {"rowsperstrip": 1}),
        ("lzw strips", {"compression": "lzw", "rowsperstrip": 32}),
        ("zstd tiles", {"compression": "zstd", "tile": (256, 256)}),
        ("deflate in one strip", {"compression": "zlib", "predictor": True, "rowsperstrip": 100_000}),
        ("png", {}),
    ],
)
def test_reading_by_bands_holds_little_in_memory(name: str, options: dict[str, Any], tmp_path: Path) -> None:
    """Peak resident memory of a child that checks a scan of 90 MB and reads it band by band."""
    row = np.repeat(np.arange(3000, dtype=np.uint16)[None, :, None] * 7, 3, axis=2)
    pixels = np.repeat(row, 5000, axis=0)
    pixels[:, :, 1] += np.arange(5000, dtype=np.uint16)[:, None]
    path = tmp_path / "a.tif"
    if name == "png":
        import imagecodecs

        path.write_bytes(imagecodecs.png_encode(pixels, level=1))
    else:
        write_tiff(path, pixels, **options)
    command = [sys.executable, "-c", MEMORY_CHILD, str(path), str(tmp_path / "scratch")]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    figures = json.loads(done.stdout)
    assert figures["picture_mb"] == 90
    assert figures["grown_mb"] < 64


def test_size_of_an_opened_scan(tmp_path: Path, scratch: Path) -> None:
    source = open_scan(scan_of(write_tiff(tmp_path / "a.tif", painting()), scratch), scratch=scratch)
    assert source.size == Size(83, 61)
    source.close()
