"""Files that cannot be used: each has one plain sentence that names it, exit code 3, and leaves nothing behind."""

from __future__ import annotations

import io
import os
import struct
import subprocess
import sys
import tracemalloc
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
import tifffile
from PIL import Image

from stitch.errors import ScanError, WriteError
from stitch.scans.inspect import inspect
from stitch.scans.readers import open_scan
from tests.scans.pictures import painting, scan_of, set_tag, tiffcp, write_tiff

Maker = Callable[[Path], Any]


def text(path: Path) -> None:
    path.write_text("Dear Ada, the scans are on the blue disk.\n" * 20)


def tiff(samples: int = 3, dtype: str = "u2", **options: Any) -> Maker:
    def make(path: Path) -> None:
        pixels = (painting(samples=samples) % 200).astype(dtype)
        write_tiff(path, pixels[..., 0] if samples == 1 else pixels, **options)

    return make


def saved(mode: str, kind: str) -> Maker:
    def make(path: Path) -> None:
        data = io.BytesIO()
        Image.fromarray(painting(bits=8)).convert(mode).save(data, kind)
        path.write_bytes(data.getvalue())

    return make


def palette_tiff(path: Path) -> None:
    Image.fromarray(painting(bits=8)).quantize(16).save(path, "TIFF")


def one_bit(path: Path) -> None:
    Image.fromarray(painting(bits=8)).convert("1").save(path, "TIFF")


def uncompressed_ycbcr(path: Path) -> None:
    write_tiff(path, painting(bits=8))
    set_tag(path, 262, lambda _: 6)


def lab(path: Path) -> None:
    write_tiff(path, painting())
    set_tag(path, 262, lambda _: 8)


def jpeg2000_inside(path: Path) -> None:
    write_tiff(path, painting(bits=8), compression="jpeg2000")


def twelve_bit_claim(path: Path) -> None:
    write_tiff(path, painting(samples=1)[..., 0], photometric="minisblack")
    set_tag(path, 258, lambda _: 12)


def only_a_thumbnail(path: Path) -> None:
    write_tiff(path, painting(), subfiletype=1)


REFUSED: dict[str, tuple[str, Maker, str]] = {
    "text": ("a.tif", text, "is not a TIFF, PNG or JPEG picture"),
    "empty": ("a.tif", lambda path: path.touch(), "is empty (0 bytes)"),
    "cmyk": ("a.tif", tiff(4, photometric="separated"), "is a CMYK picture"),
    "cmyk-jpeg": ("a.jpg", saved("CMYK", "JPEG"), "is a CMYK picture"),
    "float": ("a.tif", tiff(dtype="f4"), "holds floating-point numbers"),
    "half-float": ("a.tif", tiff(dtype="f2"), "holds floating-point numbers"),
    "palette": ("a.tif", palette_tiff, "is a palette"),
    "palette-png": ("a.png", saved("P", "PNG"), "is a palette"),
    "one-bit": ("a.tif", one_bit, "is a 1-bit"),
    "one-bit-png": ("a.png", saved("1", "PNG"), "is a 1-bit"),
    "signed": ("a.tif", tiff(dtype="i2"), "of a kind that is not supported"),
    "32-bit": ("a.tif", tiff(dtype="u4"), "of a kind that is not supported"),
    "12-bit": ("a.tif", twelve_bit_claim, "of a kind that is not supported"),
    "ycbcr": ("a.tif", uncompressed_ycbcr, "is a YCbCr picture without JPEG compression"),
    "lab": ("a.tif", lab, "is a Lab picture"),
    "jpeg2000": ("a.tif", jpeg2000_inside, "is compressed in a way that is not supported (JPEG2000)"),
    "thumbnail": ("a.tif", only_a_thumbnail, "holds no full-size page"),
}


def refusal(path: Path, scratch: Path) -> str:
    """The sentence with which a file is refused; checks what every refusal must keep to."""
    with pytest.raises(ScanError) as caught:
        inspect(path, (), scratch=scratch)
    error = caught.value
    assert error.exit_code == 3
    assert error.message.startswith(path.name) and error.message.endswith(".") and "\n" not in error.message
    assert error.advice.endswith(".")
    assert error.scan_ids == (path.name,)
    assert list(scratch.iterdir()) == []
    return error.message


@pytest.mark.parametrize("kind", REFUSED)
def test_refused(kind: str, tmp_path: Path, scratch: Path) -> None:
    name, make, sentence = REFUSED[kind]
    make(tmp_path / name)
    assert sentence in refusal(tmp_path / name, scratch)


COMPRESSED: list[dict[str, Any]] = [
    {},
    {"rowsperstrip": 5},
    {"compression": "lzw", "rowsperstrip": 5},
    {"compression": "zlib", "rowsperstrip": 5},
    {"compression": "zlib", "rowsperstrip": 61},
    {"compression": "zstd", "tile": (32, 32)},
    {"bigtiff": True},
    {"byteorder": ">"},
]


@pytest.mark.parametrize("share", [0.001, 0.02, 0.3, 0.7, 0.999])
@pytest.mark.parametrize("options", COMPRESSED)
def test_truncated_tiff(options: dict[str, Any], share: float, tmp_path: Path, scratch: Path) -> None:
    path = write_tiff(tmp_path / "a.tif", painting(), **options)
    data = path.read_bytes()
    path.write_bytes(data[: max(9, int(len(data) * share))])
    assert "is damaged or cut short" in refusal(path, scratch)


@pytest.mark.parametrize("share", [0.1, 0.5, 0.99])
def test_truncated_tiff_with_its_header_at_the_end(share: float, tmp_path: Path, scratch: Path) -> None:
    path = tiffcp(write_tiff(tmp_path / "plain.tif", painting()), tmp_path / "a.tif", "-c", "lzw")
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])
    assert "is damaged or cut short" in refusal(path, scratch)


def test_a_second_page_that_is_cut_off_is_noticed(tmp_path: Path, scratch: Path) -> None:
    path = tmp_path / "a.tif"
    with tifffile.TiffWriter(path) as writer:
        writer.write(painting(), photometric="rgb", metadata=None)
        first = writer.filehandle.tell()
        writer.write(painting(seed=2), photometric="rgb", metadata=None)
    path.write_bytes(path.read_bytes()[: first + 40])
    assert "is damaged or cut short" in refusal(path, scratch)


@pytest.mark.parametrize("options", COMPRESSED[2:6])
def test_damaged_compressed_data(options: dict[str, Any], tmp_path: Path, scratch: Path) -> None:
    path = write_tiff(tmp_path / "a.tif", painting(), **options)
    with tifffile.TiffFile(path) as file:
        offset = file.pages[0].dataoffsets[-1]
    data = bytearray(path.read_bytes())
    data[offset : offset + 40] = b"\xff" * 40
    path.write_bytes(data)
    assert "is damaged or cut short" in refusal(path, scratch)


@pytest.mark.parametrize("share", [0.05, 0.5, 0.98])
@pytest.mark.parametrize("bits", [8, 16])
def test_truncated_png(bits: int, share: float, tmp_path: Path, scratch: Path) -> None:
    data = imagecodecs.png_encode(painting(bits=bits))
    path = tmp_path / "a.png"
    path.write_bytes(data[: int(len(data) * share)])
    assert "is damaged or cut short" in refusal(path, scratch)


def test_png_that_fails_its_check_sum(tmp_path: Path, scratch: Path) -> None:
    data = bytearray(imagecodecs.png_encode(painting()))
    data[len(data) // 2] ^= 1
    path = tmp_path / "a.png"
    path.write_bytes(data)
    assert "is damaged or cut short" in refusal(path, scratch)


@pytest.mark.parametrize("ending", [b"", b"\xff\xd9"])
@pytest.mark.parametrize("share", [0.3, 0.6])
def test_truncated_jpeg(share: float, ending: bytes, tmp_path: Path, scratch: Path) -> None:
    """The second case was closed properly after losing its lower rows: decoders fill them with grey, silently."""
    stream = io.BytesIO()
    Image.fromarray(painting(160, 200, bits=8)).save(stream, "JPEG", quality=95)
    path = tmp_path / "a.jpg"
    path.write_bytes(stream.getvalue()[: int(len(stream.getvalue()) * share)] + ending)
    assert "is damaged or cut short" in refusal(path, scratch)


def test_a_jpeg_strip_without_its_end(tmp_path: Path, scratch: Path) -> None:
    path = write_tiff(tmp_path / "a.tif", painting(64, 96, bits=8), compression="jpeg", rowsperstrip=16)
    with tifffile.TiffFile(path) as file:
        offset, count = file.pages[0].dataoffsets[1], file.pages[0].databytecounts[1]
    data = bytearray(path.read_bytes())
    data[offset + count // 2 : offset + count] = bytes(count - count // 2)
    path.write_bytes(data)
    assert "is damaged or cut short" in refusal(path, scratch)


@pytest.mark.parametrize("compression", [5, 8, 32773, 50000, 7, 1])
def test_a_small_tiff_that_claims_to_be_huge(compression: int, tmp_path: Path, scratch: Path) -> None:
    path = write_tiff(tmp_path / "a.tif", painting(30, 20, bits=8))
    for tag, value in ((256, 60000), (257, 60000), (278, 60000), (259, compression)):
        set_tag(path, tag, lambda _, value=value: value)
    assert path.stat().st_size < 3000
    tracemalloc.start()
    sentence = refusal(path, scratch)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 20e6
    assert "that so small a file cannot hold" in sentence or "cut short" in sentence


def test_a_small_png_that_claims_to_be_huge(tmp_path: Path, scratch: Path) -> None:
    data = bytearray(imagecodecs.png_encode(painting(30, 20, bits=8)))
    data[16:24] = struct.pack(">II", 60000, 60000)
    data[29:33] = struct.pack(">I", zlib.crc32(data[12:29]))
    (tmp_path / "a.png").write_bytes(data)
    assert "that so small a file cannot hold" in refusal(tmp_path / "a.png", scratch)


def test_a_small_jpeg_that_claims_to_be_huge(tmp_path: Path, scratch: Path) -> None:
    stream = io.BytesIO()
    Image.fromarray(painting(30, 20, bits=8)).save(stream, "JPEG")
    data = bytearray(stream.getvalue())
    start = data.index(b"\xff\xc0") + 5
    data[start : start + 4] = struct.pack(">HH", 60000, 60000)
    (tmp_path / "a.jpg").write_bytes(data)
    assert "that so small a file cannot hold" in refusal(tmp_path / "a.jpg", scratch)


def test_sides_beyond_belief(tmp_path: Path, scratch: Path) -> None:
    path = write_tiff(tmp_path / "a.tif", painting(30, 20, bits=8))
    set_tag(path, 256, lambda _: 4_000_000)
    assert "more than is believable" in refusal(path, scratch)


def test_flat_pictures_compress_well_and_are_not_refused(tmp_path: Path, scratch: Path) -> None:
    """The bounds on what a byte can stand for must let honest extremes through."""
    flat = np.full((2000, 2000, 3), 77, np.uint8)
    for compression in ("lzw", "zlib", "zstd", "packbits", "jpeg"):
        path = write_tiff(tmp_path / f"{compression}.tif", flat, compression=compression, rowsperstrip=2000)
        assert inspect(path, (), scratch=scratch).scans[0].size.width_px == 2000
    for kind, options in (("png", {}), ("jpg", {"progressive": True, "optimize": True})):
        path = tmp_path / f"flat.{kind}"
        Image.fromarray(flat).save(path, **options)
        assert inspect(path, (), scratch=scratch).scans[0].size.width_px == 2000


def test_what_is_too_large_to_decode_in_one_piece(
    tmp_path: Path, scratch: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("stitch.scans.sanity.WHOLE_DECODE_LIMIT_BYTES", 10_000_000)
    flat = np.full((2400, 2400, 3), 77, np.uint8)  # one strip of 17 MB: too large to keep beside another
    path = write_tiff(tmp_path / "a.tif", flat, compression="lzw", rowsperstrip=2400)
    assert "can only be decoded in one piece" in refusal(path, scratch)


def test_a_file_that_is_not_there(tmp_path: Path, scratch: Path) -> None:
    assert "is not there" in refusal(tmp_path / "a.tif", scratch)


def test_a_folder_called_like_a_scan(tmp_path: Path, scratch: Path) -> None:
    (tmp_path / "a.tif").mkdir()
    assert "is a folder" in refusal(tmp_path / "a.tif", scratch)


CHILD = """
import os, sys
from pathlib import Path
from stitch.errors import ScanError
from stitch.scans.inspect import inspect
from stitch.scans.collect import collect
import tifffile, imagecodecs, cv2
if os.geteuid() == 0:
    os.setgid(65534)
    os.setuid(65534)
try:
    sys.argv[1] == "inspect" and inspect(Path(sys.argv[2]), (), scratch=Path(sys.argv[3]))
    sys.argv[1] == "collect" and collect([Path(sys.argv[2])])
except ScanError as error:
    print(error)
    sys.exit(error.exit_code)
"""


@pytest.mark.skipif(not hasattr(os, "setuid"), reason="needs accounts as on Linux")
@pytest.mark.parametrize("what", ["file", "folder"])
def test_no_permission(what: str, tmp_path_factory: pytest.TempPathFactory) -> None:
    """In a child process that is nobody, so that it holds for tests run as root too."""
    import tempfile

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o755)
        path = write_tiff(folder / "private.tif", painting())
        closed = folder / "closed"
        closed.mkdir()
        path.chmod(0)
        closed.chmod(0)
        job = ("inspect", str(path)) if what == "file" else ("collect", str(closed))
        done = subprocess.run([sys.executable, "-c", CHILD, *job, name], capture_output=True, text=True, check=False)
        assert done.returncode == 3, done.stderr
        subject = "private.tif" if what == "file" else "closed"
        assert done.stdout.startswith(f"{subject} cannot be opened: this account may not read it.")


def test_a_scan_that_changed_since(tmp_path: Path, scratch: Path) -> None:
    path = write_tiff(tmp_path / "a.tif", painting())
    scan = scan_of(path, scratch)
    write_tiff(path, painting(60, 83))
    with pytest.raises(ScanError, match="has changed since it was checked"):
        open_scan(scan, scratch=scratch)


def test_a_scan_that_shrinks_while_it_is_read(tmp_path: Path, scratch: Path) -> None:
    path = write_tiff(tmp_path / "a.tif", painting())
    source = open_scan(scan_of(path, scratch), scratch=scratch)
    os.truncate(path, 2000)
    with pytest.raises(ScanError, match="is damaged or cut short"):
        source.read(source.size.window())
    source.close()


def test_no_room_for_the_working_copy(tmp_path: Path, scratch: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An injected write error: the disk is full half-way."""
    path = tmp_path / "a.png"
    path.write_bytes(imagecodecs.png_encode(painting()))
    monkeypatch.setattr("stitch.scans.inflate.GROUP_BYTES", 3000)
    written: list[int] = []

    def full(file: Any, array: Any) -> None:
        written.append(file.write(array.tobytes()))
        if len(written) > 2:
            raise OSError(28, "No space left on device")

    monkeypatch.setattr("stitch.scans.working_copy._write_all", full)
    with pytest.raises(WriteError, match=r"The working copy of a\.png cannot be written") as caught:
        inspect(path, (), scratch=scratch)
    assert caught.value.exit_code == 5
    assert len(written) == 3
    assert list(scratch.iterdir()) == []


def test_ctrl_c_leaves_no_half_copy(tmp_path: Path, scratch: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.png"
    path.write_bytes(imagecodecs.png_encode(painting()))

    def interrupt(file: Any, array: Any) -> None:
        file.write(array.tobytes())
        raise KeyboardInterrupt

    monkeypatch.setattr("stitch.scans.working_copy._write_all", interrupt)
    with pytest.raises(KeyboardInterrupt):
        inspect(path, (), scratch=scratch)
    assert list(scratch.iterdir()) == []


def test_the_scan_is_never_written_to(tmp_path: Path, scratch: Path) -> None:
    path = write_tiff(tmp_path / "a.tif", painting(), compression="lzw", rowsperstrip=61)
    path.chmod(0o444)
    before, at = path.read_bytes(), path.stat().st_mtime_ns
    source = open_scan(scan_of(path, scratch), scratch=scratch, cache_bytes=0)
    source.read(source.size.window())
    source.close()
    assert path.read_bytes() == before and path.stat().st_mtime_ns == at
    assert {item.name for item in tmp_path.iterdir()} == {"a.tif", "scratch"}


def spoiled(data: bytes, rng: np.random.Generator) -> bytes:
    """A few bytes changed, mostly near the head; sometimes cut short."""
    changed = bytearray(data)
    reach = min(len(data), int(rng.choice([64, 400, 700, len(data)])))
    for place in rng.integers(0, reach, rng.integers(1, 5)):
        changed[place] = rng.choice([0, 1, 2, 128, 255, rng.integers(0, 256)])
    return bytes(changed[: rng.integers(1, len(data))] if rng.random() < 0.1 else changed)


@pytest.mark.parametrize("seed", range(3))
def test_spoiled_files_are_read_or_refused_with_a_sentence(seed: int, tmp_path: Path, scratch: Path) -> None:
    """Any other exception, and any warning, fails this test."""
    stream = io.BytesIO()
    exif = Image.Exif()
    exif[274], exif[282] = 6, 300.0
    Image.fromarray(painting(bits=8)).save(stream, "JPEG", exif=exif, icc_profile=bytes(500))
    sources = [write_tiff(tmp_path / "s", painting(), **options).read_bytes() for options in COMPRESSED]
    sources += [imagecodecs.png_encode(painting()), stream.getvalue()]
    rng = np.random.default_rng(seed)
    read, refused = 0, 0
    for _ in range(20):
        for source in sources:
            (tmp_path / "a").write_bytes(spoiled(source, rng))
            try:
                for scan in inspect(tmp_path / "a", (), scratch=scratch).scans:
                    pixels = open_scan(scan, scratch=scratch)
                    pixels.read(pixels.size.window())
                    pixels.close()
                read += 1
            except ScanError as error:
                assert error.message.startswith("a ") and error.message.endswith(".")
                refused += 1
    assert read > 20 and refused > 20
