"""Facts of a file: pages, names, resolution, clipping, checksum, notes."""

from __future__ import annotations

import hashlib
import io
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import imagecodecs
import numpy as np
import pytest
import tifffile
from PIL import Image

from stitch.errors import ScanError
from stitch.model.codec import from_plain, to_plain
from stitch.model.findings import Severity
from stitch.model.scans import Scan
from stitch.scans.inspect import inspect, look
from stitch.scans.naming import natural_key, scan_names
from stitch.scans.readers import open_image, open_scan
from tests.scans.pictures import painting, read_scan, scan_of, srgb_profile, tiffcp, write_tiff


def test_facts_of_a_scan(tmp_path: Path, scratch: Path) -> None:
    profile = srgb_profile()
    path = write_tiff(tmp_path / "Harbour 1.tif", painting(), iccprofile=profile, compression="lzw")
    scan = scan_of(path, scratch)
    assert scan.scan_id == "Harbour 1"
    assert scan.path == path.absolute() and scan.page_index == 0
    assert (scan.size.width_px, scan.size.height_px, scan.bits) == (83, 61, 16)
    assert (scan.ppi_x, scan.ppi_y) == (600, 600)
    assert (scan.file_format, scan.compression, scan.is_grey, scan.orientation) == ("TIFF", "lzw", False, 1)
    assert scan.profile == profile
    assert scan.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert scan.byte_count == path.stat().st_size
    assert from_plain(Scan, to_plain(scan)) is not None


@pytest.mark.parametrize("options", [{}, {"compression": "lzw"}, {"tile": (16, 16)}, {"planarconfig": "separate"}])
@pytest.mark.parametrize("bits", [8, 16])
def test_clipped_shares(bits: int, options: dict[str, Any], tmp_path: Path, scratch: Path) -> None:
    pixels = painting(100, 100, bits=bits)
    top = 2**bits - 1
    pixels[:10, :5, 0] = 0  # 50 pixels with one channel at 0
    pixels[20:30, :7] = top  # 70 pixels with all channels at the top
    pixels[50, 50] = (0, 100, top)  # both
    scan = scan_of(write_tiff(tmp_path / "a.tif", pixels, **options), scratch)
    assert scan.clipped_low_fraction == pytest.approx(51 / 10_000, abs=1e-12)
    assert scan.clipped_high_fraction == pytest.approx(71 / 10_000, abs=1e-12)


@pytest.mark.parametrize("photometric", ["minisblack", "miniswhite"])
def test_clipped_shares_of_grey_are_as_shown(photometric: str, tmp_path: Path, scratch: Path) -> None:
    stored = painting(100, 100, samples=1)[..., 0]
    stored[0, :30] = 0
    stored[1, :20] = 65535
    scan = scan_of(write_tiff(tmp_path / "a.tif", stored, photometric=photometric), scratch)
    dark, bright = (0.003, 0.002) if photometric == "minisblack" else (0.002, 0.003)
    assert (scan.clipped_low_fraction, scan.clipped_high_fraction) == (pytest.approx(dark), pytest.approx(bright))


def test_an_extra_channel_at_its_limits_is_no_clipping(tmp_path: Path, scratch: Path) -> None:
    pixels = painting(samples=4)
    pixels[..., 3] = 65535
    scan = scan_of(write_tiff(tmp_path / "a.tif", pixels, extrasamples=["unassalpha"]), scratch)
    assert scan.clipped_high_fraction == 0


@pytest.mark.parametrize(
    ("resolution", "unit", "expected"),
    [
        ((600, 600), "INCH", (600, 600)),
        (((30000, 127), (15000, 127)), "CENTIMETER", (600, 300)),
        ((600, 600), "NONE", (None, None)),
        ((0, 0), "INCH", (None, None)),
        (((600, 1), (0, 1)), "INCH", (600, None)),
        (((0, 0), (600, 0)), "INCH", (None, None)),
        ((72, 72), "INCH", (72, 72)),
    ],
)
def test_resolution(resolution: Any, unit: str, expected: Any, tmp_path: Path, scratch: Path) -> None:
    path = write_tiff(tmp_path / "a.tif", painting(), resolution=(600, 600), resolutionunit=unit)
    values = [pair if isinstance(pair, tuple) else (pair, 1) for pair in resolution]
    with tifffile.TiffFile(path, mode="r+") as tiff:
        for number, pair in zip((282, 283), values, strict=True):
            tiff.pages[0].tags[number].overwrite(pair)
    scan = scan_of(path, scratch)
    assert scan.ppi_x == (expected[0] if expected[0] is None else pytest.approx(expected[0]))
    assert scan.ppi_y == (expected[1] if expected[1] is None else pytest.approx(expected[1]))


def test_no_resolution_is_never_guessed(tmp_path: Path, scratch: Path) -> None:
    """Holds off Pillow's habit of making up 72 for a JPEG without any, and that of other readers for a TIFF."""
    rgb = Image.fromarray(painting(bits=8))
    rgb.save(tmp_path / "a.jpg")
    rgb.save(tmp_path / "b.png")
    stream = io.BytesIO()
    exif = Image.Exif()
    exif[296] = 1  # no unit
    exif[282] = exif[283] = 600.0
    rgb.save(stream, "JPEG", exif=exif)
    (tmp_path / "c.jpg").write_bytes(stream.getvalue())
    plain = write_tiff(tmp_path / "d.tif", painting(bits=8))
    for tag in (282, 283):  # give the tags numbers that nobody reads
        set_tag_number(plain, tag, 65000 + tag - 282)
    for name in ("a.jpg", "b.png", "c.jpg", "d.tif"):
        scan = scan_of(tmp_path / name, scratch)
        assert (scan.ppi_x, scan.ppi_y) == (None, None), name


def set_tag_number(path: Path, number: int, new: int) -> None:
    import struct

    data = bytearray(path.read_bytes())
    (start,) = struct.unpack_from("<I", data, 4)
    (count,) = struct.unpack_from("<H", data, start)
    for position in range(start + 2, start + 2 + 12 * count, 12):
        if struct.unpack_from("<H", data, position)[0] == number:
            struct.pack_into("<H", data, position, new)
    path.write_bytes(data)


def test_the_unit_of_a_tiff_is_inch_by_default(tmp_path: Path, scratch: Path) -> None:
    """TIFF 6.0 tag 296: "Default = 2 (inch)"."""
    path = write_tiff(tmp_path / "a.tif", painting())
    set_tag_number(path, 296, 65100)
    assert scan_of(path, scratch).ppi_x == 600


def test_jpeg_resolution_per_cm_and_as_a_mere_ratio(tmp_path: Path, scratch: Path) -> None:
    Image.fromarray(painting(bits=8)).save(tmp_path / "a.jpg", dpi=(300, 300))
    data = bytearray((tmp_path / "a.jpg").read_bytes())
    place = data.index(b"JFIF\0") + 7
    assert data[place : place + 5] == b"\x01\x01\x2c\x01\x2c"
    data[place : place + 5] = b"\x02\x00\xec\x00\xec"  # 236 per cm
    (tmp_path / "b.jpg").write_bytes(data)
    data[place] = 0  # a ratio only
    (tmp_path / "c.jpg").write_bytes(data)
    assert scan_of(tmp_path / "a.jpg", scratch).ppi_x == 300
    assert scan_of(tmp_path / "b.jpg", scratch).ppi_x == pytest.approx(236 * 2.54)
    assert scan_of(tmp_path / "c.jpg", scratch).ppi_x is None


def test_png_resolution_and_profile(tmp_path: Path, scratch: Path) -> None:
    profile = srgb_profile()
    Image.fromarray(painting(bits=8)).save(tmp_path / "a.png", dpi=(600, 600), icc_profile=profile)
    scan = scan_of(tmp_path / "a.png", scratch)
    assert scan.ppi_x == pytest.approx(23622 * 0.0254)  # the nearest whole number of pixels per metre
    assert scan.profile == profile


def test_jpeg_profile(tmp_path: Path, scratch: Path) -> None:
    profile = srgb_profile() + bytes(70_000)  # in two segments
    Image.fromarray(painting(bits=8)).save(tmp_path / "a.jpg", icc_profile=profile)
    assert scan_of(tmp_path / "a.jpg", scratch).profile == profile


def multi_page(path: Path, **options: Any) -> list[np.ndarray]:
    pages = [painting(seed=seed) for seed in (5, 6)]
    with tifffile.TiffWriter(path) as writer:
        for page in pages:
            writer.write(page, photometric="rgb", metadata=None, subifds=1, **options)
            writer.write(page[::2, ::2], photometric="rgb", metadata=None, subfiletype=1)  # inside the page before
            writer.write(page[::4, ::4], photometric="rgb", metadata=None, subfiletype=1)  # a page of its own
    return pages


@pytest.mark.parametrize("options", [{}, {"compression": "zlib"}])
def test_each_full_page_is_a_scan(options: dict[str, Any], tmp_path: Path, scratch: Path) -> None:
    pages = multi_page(tmp_path / "a.tif", **options)
    scans = inspect(tmp_path / "a.tif", (), scratch=scratch).scans
    assert [scan.scan_id for scan in scans] == ["a", "a page 2"]
    assert [scan.page_index for scan in scans] == [0, 2]
    for scan, page in zip(scans, pages, strict=True):
        assert np.array_equal(read_scan(scan, scratch), page)
        assert np.array_equal(read_scan(scan, scratch, cache_bytes=0), page)


def test_pages_that_libtiff_put_together(tmp_path: Path, scratch: Path) -> None:
    import shutil
    import subprocess

    parts = [write_tiff(tmp_path / f"{seed}.tif", painting(seed=seed)) for seed in (1, 2, 3)]
    first = tiffcp(parts[0], tmp_path / "a.tif")
    for part in parts[1:]:
        subprocess.run([str(shutil.which("tiffcp")), "-a", str(part), str(first)], check=True)
    scans = inspect(first, (), scratch=scratch).scans
    assert len(scans) == 3
    for scan, seed in zip(scans, (1, 2, 3), strict=True):
        assert np.array_equal(read_scan(scan, scratch), painting(seed=seed))


def test_names_do_not_repeat(tmp_path: Path) -> None:
    assert scan_names(Path("/x/A1.tif"), 1, ()) == ("A1",)
    assert scan_names(Path("/x/A1.png"), 1, {"A1"}) == ("x/A1.png",)
    assert scan_names(Path("/y/A1.tif"), 2, {"A1"}) == ("y/A1.tif", "y/A1.tif page 2")
    assert scan_names(Path("/z/x/A1.png"), 1, {"A1", "x/A1.png"}) == ("x/A1.png (2)",)
    assert scan_names(Path("/x/A1.tif"), 2, {"A1 page 2"}) == ("x/A1.tif", "x/A1.tif page 2")


def test_names_are_composed_and_writable() -> None:
    decomposed = "Blu\u0308te"
    assert scan_names(Path(f"/x/{decomposed}.tif"), 1, ()) == ("Bl\u00fcte",)
    (name,) = scan_names(Path("/x/bad\udcff.tif"), 1, ())
    assert name.encode("utf-8") == b"bad?"


def test_natural_order() -> None:
    names = ["scan 10.tif", "Scan 2.tif", "scan 1.tif", "A.tif", "10.tif", "9.tif", "scan.tif"]
    ordered = sorted((Path(name) for name in names), key=natural_key)
    assert [path.name for path in ordered] == [
        "9.tif",
        "10.tif",
        "A.tif",
        "scan 1.tif",
        "Scan 2.tif",
        "scan 10.tif",
        "scan.tif",
    ]


@pytest.mark.parametrize(
    "name",
    ["with spaces and (brackets) [1]", "Äpfel & Öl – größer", "😀 painting 🎨", "漢字", "x" * 200, "a.b.c", "%s {0}"],
)
@pytest.mark.parametrize("ending", ["tif", "png", "jpg"])
def test_any_name(name: str, ending: str, tmp_path: Path, scratch: Path) -> None:
    path = tmp_path / f"{name}.{ending}"
    pixels = painting(bits=8)
    if ending == "tif":
        write_tiff(path, pixels, compression="lzw")
    elif ending == "png":
        path.write_bytes(imagecodecs.png_encode(pixels))
    else:
        Image.fromarray(pixels).save(path)
    scan = scan_of(path, scratch)
    assert scan.scan_id == name
    assert read_scan(scan, scratch).shape == pixels.shape


def test_extra_channel_is_noted(tmp_path: Path, scratch: Path) -> None:
    path = write_tiff(tmp_path / "a.tif", painting(samples=4), extrasamples=["unassalpha"])
    (note,) = inspect(path, (), scratch=scratch).findings
    assert (note.code, note.severity, note.scan_ids) == ("extra-channel-dropped", Severity.NOTE, ("a",))
    assert note.message.startswith("a has an extra channel")


@pytest.mark.parametrize("options", [{}, {"compression": "zlib", "planarconfig": "separate"}])
@pytest.mark.parametrize("is_opaque", [True, False])
def test_premultiplied_alpha_matters_only_where_it_is_not_opaque(
    is_opaque: bool, options: dict[str, Any], tmp_path: Path, scratch: Path
) -> None:
    pixels = painting(samples=4)
    pixels[..., 3] = 65535
    pixels[30, 40, 3] = 65535 if is_opaque else 30000
    path = write_tiff(tmp_path / "a.tif", pixels, extrasamples=["assocalpha"], **options)
    (finding,) = inspect(path, (), scratch=scratch).findings
    assert finding.code == ("extra-channel-dropped" if is_opaque else "transparent-parts")
    assert finding.severity is (Severity.NOTE if is_opaque else Severity.WARNING)


class Recorder:
    """A progress that remembers how far it came."""

    def __init__(self) -> None:
        self.done = 0.0
        self.total = 0.0
        self.label = ""

    @contextmanager
    def task(self, label: str, total: float) -> Any:
        self.label, self.total = label, total
        yield self

    def advance(self, amount: float = 1.0) -> None:
        self.done += amount

    def say(self, text: str) -> None:
        self.label = text


@pytest.mark.parametrize("options", [{}, {"compression": "zlib"}, {"compression": "lzw", "rowsperstrip": 61}])
def test_progress_reaches_its_end(options: dict[str, Any], tmp_path: Path, scratch: Path) -> None:
    recorder = Recorder()
    inspect(write_tiff(tmp_path / "a.tif", painting(), **options), (), scratch=scratch, progress=recorder)
    assert recorder.label == "Checking a.tif"
    assert recorder.done == pytest.approx(recorder.total)


def test_open_image(tmp_path: Path, scratch: Path) -> None:
    pixels = painting()
    scan, source = open_image(write_tiff(tmp_path / "master.tif", pixels), scratch=scratch)
    assert scan.scan_id == "master" and scan.ppi_x == 600
    assert np.array_equal(source.read(source.size.window()), pixels)
    source.close()


def test_open_image_wants_one_picture(tmp_path: Path, scratch: Path) -> None:
    multi_page(tmp_path / "a.tif")
    with pytest.raises(ScanError, match="holds 2 pictures, not one"):
        open_image(tmp_path / "a.tif", scratch=scratch)


@pytest.mark.parametrize("has_room", [True, False])
def test_packed_scans_that_are_read_often_are_unpacked_once(
    tmp_path: Path, scratch: Path, monkeypatch: pytest.MonkeyPatch, has_room: bool
) -> None:
    pixels = painting()
    path = write_tiff(tmp_path / "a.tif", pixels, compression="adobe_deflate", predictor=True, rowsperstrip=7)
    free = 10**12 if has_room else 90 * pixels.nbytes
    monkeypatch.setattr("stitch.scans.sources.shutil.disk_usage", lambda folder: SimpleNamespace(free=free))
    one = look(path, scratch=scratch, is_read_often=True)
    one.measure(lambda amount: None)
    assert len(list(scratch.iterdir())) == has_room
    source = open_scan(one.inspected(()).scans[0], scratch=scratch)
    assert np.array_equal(source.read(source.size.window()), pixels)
    source.close()
