"""PNG and JPEG, against the pixels that went in and against other readers."""

from __future__ import annotations

import io
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import cv2
import imagecodecs
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image, ImageOps

from stitch.model.geometry import Window
from stitch.scans.readers import open_scan
from tests.scans.pictures import painting, read_scan, read_whole, scan_of


def png_by_opencv(pixels: NDArray[Any], path: Path) -> Path:
    """Write a PNG with OpenCV, whose own encoder chooses the row filters."""
    codes = {1: None, 3: cv2.COLOR_RGB2BGR, 4: cv2.COLOR_RGBA2BGRA}
    code = codes[1 if pixels.ndim == 2 else pixels.shape[2]]
    ok, data = cv2.imencode(".png", pixels if code is None else cv2.cvtColor(pixels, code))
    assert ok
    path.write_bytes(data.tobytes())
    return path


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("samples", [1, 3, 4])
def test_png(samples: int, bits: int, tmp_path: Path, scratch: Path) -> None:
    pixels = painting(samples=samples, bits=bits)
    path = png_by_opencv(pixels[..., 0] if samples == 1 else pixels, tmp_path / "a.png")
    scan = scan_of(path, scratch)
    assert (scan.bits, scan.is_grey, scan.file_format) == (bits, samples == 1, "PNG")
    got = read_scan(scan, scratch)
    assert got.dtype == pixels.dtype
    assert np.array_equal(got, np.repeat(pixels, 3, axis=2) if samples == 1 else pixels[..., :3])


@pytest.mark.parametrize("row_filter", ["none", "sub", "up", "average", "paeth"])
@pytest.mark.parametrize("bits", [8, 16])
def test_png_with_each_row_filter_over_many_bands(
    row_filter: str, bits: int, tmp_path: Path, scratch: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Filters written by hand from clause 9 of the PNG Recommendation; bands of a few rows each."""
    monkeypatch.setattr("stitch.scans.inflate.GROUP_BYTES", 2000)
    pixels = painting(40, 37, bits=bits)
    path = tmp_path / "a.png"
    path.write_bytes(filtered_png(pixels, row_filter))
    assert np.array_equal(read_whole(path, scratch), pixels)
    decoded = cv2.imdecode(np.frombuffer(path.read_bytes(), np.uint8), cv2.IMREAD_UNCHANGED)
    assert np.array_equal(cv2.cvtColor(decoded, cv2.COLOR_BGR2RGB), pixels)


def filtered_png(pixels: NDArray[Any], row_filter: str) -> bytes:
    """A PNG whose every row uses one filter."""
    import struct
    import zlib

    bits = pixels.dtype.itemsize * 8
    height, width = pixels.shape[:2]
    raw = pixels.astype(f">u{bits // 8}").reshape(height, -1).view(np.uint8).astype(int)
    step = 3 * bits // 8
    left = np.pad(raw, ((0, 0), (step, 0)))[:, :-step]
    up = np.pad(raw, ((1, 0), (0, 0)))[:-1]
    corner = np.pad(up, ((0, 0), (step, 0)))[:, :-step]
    guess = left + up - corner
    distances = np.stack([abs(guess - left), abs(guess - up), abs(guess - corner)])
    paeth = np.choose(distances.argmin(axis=0), [left, up, corner])
    number, prediction = {
        "none": (0, 0 * raw),
        "sub": (1, left),
        "up": (2, up),
        "average": (3, (left + up) // 2),
        "paeth": (4, paeth),
    }[row_filter]
    rows = ((raw - prediction) % 256).astype(np.uint8)
    stream = zlib.compress(b"".join(bytes([number]) + row.tobytes() for row in rows))

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", width, height, bits, 2, 0, 0, 0)
    parts = [stream[i : i + 501] for i in range(0, len(stream), 501)]
    body = b"".join(chunk(b"IDAT", part) for part in parts)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + body + chunk(b"IEND", b"")


def test_interlaced_png(tmp_path: Path, scratch: Path) -> None:
    """The PngSuite file types are not at hand: an interlaced PNG is made from the seven passes by hand."""
    import struct
    import zlib

    pixels = painting(21, 18, bits=16)
    passes = [(0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2), (0, 1, 1, 2)]
    raw = b"".join(
        b"\0" + row.astype(">u2").tobytes() for x, y, dx, dy in passes for row in pixels[y::dy, x::dx] if row.size
    )

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", 18, 21, 16, 2, 0, 0, 1)
    data = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(raw)) + chunk(b"IEND", b"")
    path = tmp_path / "a.png"
    path.write_bytes(data)
    assert np.array_equal(read_whole(path, scratch), pixels)


def test_sixteen_bits_where_pillow_gives_eight(tmp_path: Path, scratch: Path) -> None:
    """Holds off the trap that Pillow opens 16-bit RGB as 8-bit without a word."""
    pixels = painting(bits=16)
    path = tmp_path / "a.png"
    path.write_bytes(imagecodecs.png_encode(pixels))
    with Image.open(path) as image:
        assert image.mode == "RGB"  # 8 bits a channel
    assert read_whole(path, scratch).dtype == np.uint16


@pytest.mark.parametrize(
    "options", [{}, {"subsampling": 0}, {"progressive": True}, {"optimize": True, "quality": 40}, {"keep_rgb": True}]
)
def test_jpeg_equals_pillow(options: dict[str, Any], tmp_path: Path, scratch: Path) -> None:
    path = tmp_path / "a.jpg"
    Image.fromarray(painting(80, 90, bits=8)).save(path, "JPEG", dpi=(600, 600), **options)
    with Image.open(path) as image:
        expected = np.asarray(image)
    scan = scan_of(path, scratch)
    assert (scan.file_format, scan.compression, scan.ppi_x, scan.ppi_y) == ("JPEG", "jpeg", 600, 600)
    assert np.abs(read_scan(scan, scratch).astype(int) - expected).max() <= 1


def test_grey_jpeg(tmp_path: Path, scratch: Path) -> None:
    path = tmp_path / "a.jpg"
    Image.fromarray(painting(bits=8, samples=1)[..., 0]).save(path, "JPEG")
    with Image.open(path) as image:
        expected = np.asarray(image)
    scan = scan_of(path, scratch)
    assert scan.is_grey and scan.ppi_x is None
    assert np.abs(read_scan(scan, scratch)[..., 2].astype(int) - expected).max() <= 1


def test_a_working_copy_is_made_once_and_found_again(tmp_path: Path, scratch: Path) -> None:
    path = png_by_opencv(painting(), tmp_path / "a.png")
    scan = scan_of(path, scratch)
    (copy,) = scratch.iterdir()
    assert scan.sha256 in copy.name
    made = copy.stat().st_mtime_ns
    source = open_scan(scan, scratch=scratch)
    source.read(Window(0, 0, 5, 5))
    source.close()
    assert [item.stat().st_mtime_ns for item in scratch.iterdir()] == [made]


def test_the_ending_of_the_name_does_not_matter(tmp_path: Path, scratch: Path) -> None:
    pixels = painting()
    path = png_by_opencv(pixels, tmp_path / "a.png").rename(tmp_path / "a.tif")
    assert np.array_equal(read_whole(path, scratch), pixels)


def test_exif_orientation_and_resolution_of_a_jpeg(tmp_path: Path, scratch: Path) -> None:
    picture = Image.fromarray(painting(40, 70, bits=8))
    exif = Image.Exif()
    exif[274], exif[282], exif[283], exif[296] = 6, 240.0, 120.0, 3
    path = tmp_path / "a.jpg"
    stream = io.BytesIO()
    picture.save(stream, "JPEG", exif=exif)
    path.write_bytes(stream.getvalue())
    scan = scan_of(path, scratch)
    assert scan.orientation == 6
    assert (scan.size.width_px, scan.size.height_px) == (40, 70)
    assert scan.ppi_x == pytest.approx(120 * 2.54) and scan.ppi_y == pytest.approx(240 * 2.54)
    with Image.open(path) as image:
        expected = np.asarray(image.transpose(Image.Transpose.ROTATE_270))
    assert np.abs(read_scan(scan, scratch).astype(int) - expected).max() <= 1


def test_exif_orientation_of_a_png(tmp_path: Path, scratch: Path) -> None:
    exif = Image.Exif()
    exif[274] = 8
    pixels = painting(40, 70, bits=8)
    Image.fromarray(pixels).save(tmp_path / "a.png", exif=exif)
    with Image.open(tmp_path / "a.png") as image:
        expected = np.asarray(ImageOps.exif_transpose(image))
    assert expected.shape[:2] == (70, 40)
    assert np.array_equal(read_whole(tmp_path / "a.png", scratch), expected)


@pytest.mark.parametrize("kind", ["jpg", "png"])
def test_a_damaged_exif_block_is_no_reason_to_refuse(kind: str, tmp_path: Path, scratch: Path) -> None:
    path = tmp_path / f"a.{kind}"
    Image.fromarray(painting(bits=8)).save(path, exif=b"Exif\0\0MM\1\1\0\0\0\x08\0\x09")
    scan = scan_of(path, scratch)
    assert (scan.orientation, scan.ppi_x) == (1, None)


@pytest.mark.parametrize("bits", [8, 16])
def test_grey_png_with_alpha(bits: int, tmp_path: Path, scratch: Path) -> None:
    pixels = painting(bits=bits, samples=2)
    path = tmp_path / "a.png"
    path.write_bytes(imagecodecs.png_encode(pixels))
    scan = scan_of(path, scratch)
    assert (scan.is_grey, scan.bits) == (True, bits)
    assert np.array_equal(read_scan(scan, scratch), np.repeat(pixels[..., :1], 3, axis=2))


def test_two_threads_that_open_one_scan(tmp_path: Path, scratch: Path) -> None:
    """Both may make the working copy at the same time; it is whole at any moment."""
    pixels = painting(200, 300)
    scan = scan_of(png_by_opencv(pixels, tmp_path / "a.png"), scratch)
    for item in scratch.iterdir():
        item.unlink()
    with ThreadPoolExecutor(4) as pool:
        for got in pool.map(lambda _: read_scan(scan, scratch), range(4)):
            assert np.array_equal(got, pixels)
    assert len(list(scratch.iterdir())) == 1
