"""Every kind of TIFF that is read, against the pixels that went in and against libtiff or Pillow."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from PIL import Image

from stitch.model.geometry import Window
from stitch.scans.readers import open_scan
from tests.scans.pictures import (
    painting,
    read_scan,
    read_whole,
    read_with_libtiff,
    scan_of,
    set_tag,
    tiffcp,
    write_tiff,
)

COMPRESSIONS = [None, "lzw", "zlib", "zstd", "packbits"]
LAYOUTS: dict[str, dict[str, Any]] = {
    "one-strip": {"rowsperstrip": 61},
    "strips": {"rowsperstrip": 7},
    "tiles": {"tile": (32, 16)},
    "planes": {"planarconfig": "separate", "rowsperstrip": 7},
    "planes-of-tiles": {"planarconfig": "separate", "tile": (16, 32)},
    "big-endian": {"byteorder": ">", "rowsperstrip": 9},
    "bigtiff": {"bigtiff": True, "rowsperstrip": 9},
}


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("compression", COMPRESSIONS)
def test_every_layout_gives_its_pixels(
    compression: str | None, layout: str, bits: int, tmp_path: Path, scratch: Path
) -> None:
    pixels = painting(bits=bits)
    path = write_tiff(tmp_path / "a.tif", pixels, compression=compression, **LAYOUTS[layout])
    scan = scan_of(path, scratch)
    assert scan.bits == bits
    assert scan.compression == {None: "none", "zlib": "deflate"}.get(compression, compression)
    for cache_bytes in (32 << 20, 0):  # by its own strips or tiles, and by a working copy
        got = read_scan(scan, scratch, cache_bytes=cache_bytes)
        assert got.dtype == pixels.dtype
        assert np.array_equal(got, pixels)


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("byte_order", ["<", ">"])
@pytest.mark.parametrize("layout", ["strips", "tiles", "planes", "one-strip"])
@pytest.mark.parametrize("compression", ["lzw", "zlib", "zstd"])
def test_horizontal_predictor(
    compression: str, layout: str, byte_order: str, bits: int, tmp_path: Path, scratch: Path
) -> None:
    pixels = painting(bits=bits, seed=2)
    options = {**LAYOUTS[layout], "byteorder": byte_order}
    path = write_tiff(tmp_path / "a.tif", pixels, compression=compression, predictor=True, **options)
    scan = scan_of(path, scratch)
    for cache_bytes in (32 << 20, 0):
        assert np.array_equal(read_scan(scan, scratch, cache_bytes=cache_bytes), pixels)
    assert np.array_equal(read_with_libtiff(path, tmp_path), pixels)


@pytest.mark.parametrize("byte_order", ["<", ">"])
@pytest.mark.parametrize("layout", ["strips", "planes", "one-strip"])
@pytest.mark.parametrize("predictor", [False, True])
def test_strips_too_large_to_unpack_at_once_give_their_pixels_in_bands(
    predictor: bool, layout: str, byte_order: str, tmp_path: Path, scratch: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("stitch.scans.working_copy.WHOLE_BYTES", 0)
    monkeypatch.setattr("stitch.scans.inflate.GROUP_BYTES", 2000)
    pixels = painting(seed=3)
    options = {**LAYOUTS[layout], "byteorder": byte_order}
    path = write_tiff(tmp_path / "a.tif", pixels, compression="zlib", predictor=predictor, **options)
    assert np.array_equal(read_scan(scan_of(path, scratch), scratch, cache_bytes=0), pixels)


LIBTIFF_OPTIONS = [
    "-c none -s -r 5",
    "-c none -t -w 32 -l 16",
    "-c none -p separate -r 5",
    "-c none -B -r 5",
    "-c none -8 -r 5",
    "-c none -f lsb2msb",
    "-c lzw -r 5",
    "-c lzw:2 -B -r 5",
    "-c lzw:2 -t -w 32 -l 16",
    "-c lzw -f lsb2msb",
    "-c zip -r 5",
    "-c zip:2 -p separate -r 5",
    "-c zip -f lsb2msb -r 61",
    "-c zip:2 -8 -B -t -w 16 -l 16",
    "-c packbits -r 5",
    "-c packbits -p separate -t -w 16 -l 32",
    "-c zstd -r 5",
    "-c zstd:2 -B -r 61",
]
GARBLED_BY_THE_TOOL = ("-c packbits -p separate -t -w 16 -l 32", 16)  # libtiff 4.5: tiles of planes, 8 bits only


@pytest.mark.parametrize(
    ("options", "bits"),
    [(options, bits) for options in LIBTIFF_OPTIONS for bits in (8, 16) if (options, bits) != GARBLED_BY_THE_TOOL],
)
def test_files_that_libtiff_wrote(options: str, bits: int, tmp_path: Path, scratch: Path) -> None:
    pixels = painting(bits=bits, seed=3)
    is_planar = "separate" in options  # the tool rearranges planes of 8 bits only: let it find them so
    plain = write_tiff(tmp_path / "plain-source.tif", pixels, planarconfig="separate" if is_planar else "contig")
    path = tiffcp(plain, tmp_path / "a.tif", *options.split())
    scan = scan_of(path, scratch)
    for cache_bytes in (32 << 20, 0):
        assert np.array_equal(read_scan(scan, scratch, cache_bytes=cache_bytes), pixels)
    assert np.array_equal(read_with_libtiff(path, tmp_path), pixels)


@pytest.mark.parametrize(
    "options", ["-c jpeg:95 -r 16", "-c jpeg:r:95 -r 16", "-c jpeg:90 -t -w 32 -l 32", "-c jpeg:r:90 -r 64"]
)
def test_jpeg_in_tiff_equals_pillow(options: str, tmp_path: Path, scratch: Path) -> None:
    plain = write_tiff(tmp_path / "plain.tif", painting(80, 96, bits=8))
    path = tiffcp(plain, tmp_path / "a.tif", *options.split())
    scan = scan_of(path, scratch)
    assert scan.compression == "jpeg"
    with Image.open(path) as image:
        expected = np.asarray(image.convert("RGB"))
    for cache_bytes in (32 << 20, 0):
        got = read_scan(scan, scratch, cache_bytes=cache_bytes)
        # both use the same JPEG library in builds of their own: at most rounding may differ
        assert np.abs(got.astype(int) - expected).max() <= 1


def test_subsampled_jpeg_in_tiff_is_in_the_right_colours(tmp_path: Path, scratch: Path) -> None:
    pixels = painting(80, 96, bits=8)
    path = write_tiff(tmp_path / "a.tif", pixels, compression="jpeg", compressionargs={"level": 95}, rowsperstrip=16)
    with tifffile.TiffFile(path) as tiff:
        assert int(tiff.pages[0].photometric) == 6  # stored as YCbCr
    with Image.open(path) as image:
        expected = np.asarray(image.convert("RGB"))
    assert np.abs(read_whole(path, scratch).astype(int) - expected).max() <= 1


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("compression", [None, "lzw"])
def test_grey_becomes_three_equal_channels(compression: str | None, bits: int, tmp_path: Path, scratch: Path) -> None:
    grey = painting(bits=bits, samples=1)[..., 0]
    path = write_tiff(tmp_path / "a.tif", grey, photometric="minisblack", compression=compression)
    scan = scan_of(path, scratch)
    assert scan.is_grey
    assert np.array_equal(read_scan(scan, scratch), np.repeat(grey[..., None], 3, axis=2))


def test_grey_stored_with_zero_as_white_is_turned(tmp_path: Path, scratch: Path) -> None:
    grey = painting(bits=8, samples=1)[..., 0]
    path = write_tiff(tmp_path / "a.tif", grey, photometric="miniswhite")
    with Image.open(path) as image:
        expected = np.asarray(image.convert("L"))
    assert np.array_equal(read_whole(path, scratch)[..., 1], expected)
    assert np.array_equal(expected, 255 - grey)


@pytest.mark.parametrize("planar", ["contig", "separate"])
@pytest.mark.parametrize("compression", [None, "zlib"])
@pytest.mark.parametrize("extras", [["unassalpha"], ["unspecified"], ["unspecified", "unassalpha"]])
def test_extra_channels_are_left_out(
    extras: list[str], compression: str | None, planar: str, tmp_path: Path, scratch: Path
) -> None:
    pixels = painting(samples=3 + len(extras))
    path = write_tiff(
        tmp_path / "a.tif", pixels, extrasamples=extras, compression=compression, planarconfig=planar, rowsperstrip=11
    )
    assert np.array_equal(read_whole(path, scratch), pixels[..., :3])


def test_strips_out_of_order_and_apart(tmp_path: Path, scratch: Path) -> None:
    """A file whose strips lie anywhere, as after editing in place."""
    pixels = painting(64, 40)
    path = write_tiff(tmp_path / "a.tif", pixels, rowsperstrip=16)
    data = bytearray(path.read_bytes())
    with tifffile.TiffFile(path) as tiff:
        page = tiff.pages[0]
        offsets, counts = page.dataoffsets, page.databytecounts
        place = page.tags[273].valueoffset
    moved = []
    for offset, count in reversed(list(zip(offsets, counts, strict=True))):
        moved.append(len(data) + 10)
        data += b"x" * 10 + data[offset : offset + count]
    data[place : place + 16] = np.array(moved[::-1], dtype="<u4").tobytes()
    data[offsets[0] : offsets[-1] + counts[-1]] = b"\xee" * sum(counts)
    path.write_bytes(data)
    scan = scan_of(path, scratch)
    source = open_scan(scan, scratch=scratch)
    assert np.array_equal(source.read(Window(0, 0, 40, 64)), pixels)
    assert np.array_equal(source.read(Window(7, 10, 13, 31)), pixels[10:41, 7:20])
    source.close()
    assert scan.clipped_low_fraction == scan.clipped_high_fraction == 0


def test_eight_bits_widen_exactly(tmp_path: Path, scratch: Path) -> None:
    pixels = painting(bits=8)
    pixels[0, 0], pixels[0, 1] = 0, 255
    scan = scan_of(write_tiff(tmp_path / "a.tif", pixels), scratch)
    wide = read_scan(scan, scratch, bits=16)
    assert wide.dtype == np.uint16
    assert np.array_equal(wide, pixels.astype(np.uint16) * 257)
    assert wide[0, 0].tolist() == [0, 0, 0] and wide[0, 1].tolist() == [65535] * 3


@pytest.mark.parametrize("compression", [None, "lzw"])
def test_rows_per_strip_without_end(compression: str | None, tmp_path: Path, scratch: Path) -> None:
    """TIFF 6.0 tag 278: the default is 2**32 − 1, which makes the whole picture one strip; some writers say so."""
    pixels = painting()
    path = write_tiff(tmp_path / "a.tif", pixels, compression=compression, rowsperstrip=61)
    set_tag(path, 278, lambda _: 2**32 - 1)
    assert np.array_equal(read_whole(path, scratch), pixels)


def test_byte_counts_that_are_larger_than_needed(tmp_path: Path, scratch: Path) -> None:
    pixels = painting()
    path = write_tiff(tmp_path / "a.tif", pixels, rowsperstrip=61)
    path.write_bytes(path.read_bytes() + bytes(100))
    set_tag(path, 279, lambda count: count + 100)
    assert np.array_equal(read_whole(path, scratch), pixels)


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("planar", ["contig", "separate"])
def test_grey_with_alpha(planar: str, bits: int, tmp_path: Path, scratch: Path) -> None:
    pixels = painting(bits=bits, samples=2)
    path = write_tiff(
        tmp_path / "a.tif", pixels, photometric="minisblack", planarconfig=planar, extrasamples=["unassalpha"]
    )
    scan = scan_of(path, scratch)
    assert scan.is_grey
    assert np.array_equal(read_scan(scan, scratch), np.repeat(pixels[..., :1], 3, axis=2))
