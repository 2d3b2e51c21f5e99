"""The master TIFF, read back with other readers: Pillow, libtiff's tools, an XML parser, plain struct."""

from __future__ import annotations

import errno
import hashlib
import io
import shutil
import struct
import subprocess
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms

from stitch import __version__
from stitch.errors import InternalFault, WriteError
from stitch.master import readback, writer
from stitch.master.layout import Kind
from stitch.master.writer import MasterWriter
from stitch.model.geometry import Size
from stitch.model.master import MasterRecord, MasterSpec

WRITTEN_AT = datetime(2026, 3, 9, 7, 5, 1, tzinfo=timezone(timedelta(hours=2)))
PROFILE = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


def spec_of(width: int, height: int, *, bits: int = 16, ppi: float = 600.0, **more: object) -> MasterSpec:
    texts = {"title": "", "creator": "", "rights": "", "history": (), "ingredients": ()}
    return MasterSpec(Size(width, height), bits, ppi, PROFILE, **{**texts, **more})  # type: ignore[arg-type]


def noise(width: int, height: int, *, bits: int = 16, seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return rng.integers(0, 2**bits, (height, width, 3), dtype=np.uint16).astype({8: np.uint8, 16: np.uint16}[bits])


def write(
    path: Path, spec: MasterSpec, pixels: np.ndarray, *, rows: int = 37, kind: Kind | None = None
) -> MasterRecord:
    with MasterWriter(path, spec, kind=kind, written_at=WRITTEN_AT) as out:
        for top in range(0, pixels.shape[0], rows):
            out.write_rows(pixels[top : top + rows])
        return out.finish()


def entries(path: Path) -> dict[int, tuple[int, int, bytes]]:
    """Tags of the first directory by struct alone: number -> (type, count, value bytes)."""
    data = path.read_bytes()
    is_big = data[2] == 43
    (at,) = struct.unpack_from("<Q" if is_big else "<I", data, 8 if is_big else 4)
    (count,) = struct.unpack_from("<Q" if is_big else "<H", data, at)
    at += 8 if is_big else 2
    step, wide = (20, "<Q") if is_big else (12, "<I")
    found = {}
    for place in range(at, at + step * count, step):
        number, kind = struct.unpack_from("<HH", data, place)
        (items,) = struct.unpack_from(wide, data, place + 4)
        start, inline = (place + 12, 8) if is_big else (place + 8, 4)
        length = items * {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 7: 1, 16: 8}[kind]
        if length > inline:
            (start,) = struct.unpack_from(wide, data, start)
        found[number] = (kind, items, data[start : start + length])
    return found


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize(("width", "height", "rows"), [(33, 1, 1), (40, 64, 64), (17, 65, 7), (50, 203, 203)])
def test_pixels_come_back_bit_for_bit(tmp_path: Path, bits: int, width: int, height: int, rows: int) -> None:
    pixels = noise(width, height, bits=bits, seed=width + rows)
    record = write(tmp_path / "a.tif", spec_of(width, height, bits=bits), pixels, rows=rows)
    np.testing.assert_array_equal(tifffile.imread(tmp_path / "a.tif"), pixels)
    assert record.sha256 == hashlib.sha256((tmp_path / "a.tif").read_bytes()).hexdigest()
    assert record.byte_count == (tmp_path / "a.tif").stat().st_size


def test_pillow_reads_eight_bit_pixels_profile_and_resolution(tmp_path: Path) -> None:
    pixels = noise(60, 130, bits=8)
    write(tmp_path / "a.tif", spec_of(60, 130, bits=8, title="Ebbe", creator="Studio Halde"), pixels)
    with Image.open(tmp_path / "a.tif") as image:
        np.testing.assert_array_equal(np.asarray(image), pixels)
        assert image.info["icc_profile"] == PROFILE
        assert image.info["dpi"] == (600, 600)
        assert image.tag_v2[270] == "Ebbe"
        assert image.tag_v2[315] == "Studio Halde"


def test_tags_as_tiff_6_asks(tmp_path: Path) -> None:
    """TIFF 6.0 (Aldus, 3 June 1992), section 8: 258, 274, 282, 283, 296, 306; ICC.1 annex B: 34675."""
    write(tmp_path / "a.tif", spec_of(40, 70, title="T", creator="C", rights="R"), noise(40, 70))
    tags = entries(tmp_path / "a.tif")
    assert tags[258] == (3, 3, struct.pack("<3H", 16, 16, 16))  # one value per sample
    assert tags[259][2] == struct.pack("<H", 1)  # not compressed
    assert tags[262][2] == struct.pack("<H", 2)  # RGB
    assert tags[274] == (3, 1, struct.pack("<H", 1))  # row 0 at the top, column 0 at the left
    assert tags[277][2] == struct.pack("<H", 3)
    assert tags[282] == (5, 1, struct.pack("<2I", 600, 1))
    assert tags[283] == (5, 1, struct.pack("<2I", 600, 1))
    assert tags[284][2] == struct.pack("<H", 1)  # chunky
    assert tags[296] == (3, 1, struct.pack("<H", 2))  # inch
    assert tags[305][2] == f"stitch {__version__}\0".encode("ascii")
    assert tags[306] == (2, 20, b"2026:03:09 07:05:01\0")  # 20 bytes with the NUL
    assert (tags[270][2], tags[315][2], tags[33432][2]) == (b"T\0", b"C\0", b"R\0")
    assert tags[34675] == (7, len(PROFILE), PROFILE)
    assert tags[34675][2][36:40] == b"acsp"  # ICC.1 profile file signature
    assert tags[700][0] == 1  # BYTE


def test_strips_lie_one_behind_the_other(tmp_path: Path) -> None:
    """TIFF 6.0, RowsPerStrip: StripsPerImage = floor((ImageLength + RowsPerStrip − 1) / RowsPerStrip)."""
    pixels = noise(50, 203)
    write(tmp_path / "a.tif", spec_of(50, 203), pixels)
    tags = entries(tmp_path / "a.tif")
    kind, count, values = tags[273]
    offsets = np.frombuffer(values, {3: "<u2", 4: "<u4"}[kind]).astype(int)
    assert count == (203 + 63) // 64
    assert np.diff(offsets).tolist() == [64 * 50 * 6] * 3
    start = offsets[0] + 100 * 50 * 6  # row 100, by position alone
    row = np.frombuffer((tmp_path / "a.tif").read_bytes()[start : start + 300], "<u2").reshape(50, 3)
    np.testing.assert_array_equal(row, pixels[100])


def test_libtiff_tools_read_both_kinds(tmp_path: Path) -> None:
    if shutil.which("tiffinfo") is None or shutil.which("tiffdump") is None:
        pytest.skip("libtiff's tools are not installed")
    for kind, magic, name in [(Kind.CLASSIC, "0x2a", "ClassicTIFF"), (Kind.BIG, "0x2b", "BigTIFF")]:
        path = tmp_path / f"{name}.tif"
        pixels = noise(40, 150, seed=int(magic, 16))
        record = write(path, spec_of(40, 150, ppi=118.1102362 * 2.54), pixels, kind=kind)
        assert record.is_bigtiff is (kind is Kind.BIG)
        dump = subprocess.run(["tiffdump", path], capture_output=True, text=True, check=True).stdout
        assert f"Version: {magic} <{name}>" in dump
        info = subprocess.run(["tiffinfo", "-D", path], capture_output=True, text=True, check=True)
        assert info.stderr == ""
        for line in ("Image Width: 40 Image Length: 150", "Bits/Sample: 16", "pixels/inch", "ICC Profile: <present>"):
            assert line in info.stdout
        np.testing.assert_array_equal(tifffile.imread(path), pixels)


def test_a_canvas_past_4_gib_is_laid_out_as_bigtiff(tmp_path: Path) -> None:
    """BigTIFF has magic number 43 (TIFF 6.0 has 42). The file is sparse: only its header is on the disk."""
    side = 26_755  # 26 755² × 6 bytes is just past 2³²
    path = tmp_path / "large.tif"
    with MasterWriter(path, spec_of(side, side)) as out:
        assert out.is_bigtiff
        with path.open("rb") as file:
            head = file.read(16)
        assert head[:2] == b"II"
        assert struct.unpack("<HHH", head[2:8]) == (43, 8, 0)
        assert path.stat().st_size > 2**32
        if path.stat().st_blocks * 512 > 2**24:
            pytest.skip("this disk keeps no sparse files")
    assert not path.exists()


def test_texts_beyond_ascii_and_no_profile(tmp_path: Path) -> None:
    spec = MasterSpec(Size(9, 5), 8, 300.0, None, "Hügel & 🌊 <1>", "Åsa", "© 2026", (), ())
    record = write(tmp_path / "a.tif", spec, noise(9, 5, bits=8))
    tags = entries(tmp_path / "a.tif")
    assert tags[270][2] == "Hügel & 🌊 <1>\0".encode()
    assert 34675 not in tags
    assert ("Artist", "Åsa") in record.tags
    assert ("XResolution", "300/1") in record.tags


def test_empty_texts_leave_their_tags_out(tmp_path: Path) -> None:
    write(tmp_path / "a.tif", spec_of(9, 5), noise(9, 5))
    assert not {270, 315, 33432} & set(entries(tmp_path / "a.tif"))


def test_missing_and_surplus_rows_are_faults_and_leave_nothing(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    with pytest.raises(InternalFault, match="Only 4 of 5"), MasterWriter(path, spec_of(9, 5)) as out:
        out.write_rows(noise(9, 4))
        out.finish()
    assert not path.exists()
    with pytest.raises(InternalFault, match="More rows"), MasterWriter(path, spec_of(9, 5)) as out:
        out.write_rows(noise(9, 6))
    with pytest.raises(InternalFault, match="do not fit"), MasterWriter(path, spec_of(9, 5)) as out:
        out.write_rows(noise(9, 5, bits=8))
    assert list(tmp_path.iterdir()) == []


def test_an_interruption_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(KeyboardInterrupt), MasterWriter(tmp_path / "a.tif", spec_of(9, 5)) as out:
        out.write_rows(noise(9, 2))
        raise KeyboardInterrupt
    assert list(tmp_path.iterdir()) == []


def test_rows_need_not_be_contiguous_and_big_endian_ones_are_turned(tmp_path: Path) -> None:
    wide = noise(20, 10)
    with MasterWriter(tmp_path / "a.tif", spec_of(10, 10)) as out:
        out.write_rows(wide[:5, ::2])
        out.write_rows(wide[5:, ::2].astype(">u2"))
        out.finish()
    np.testing.assert_array_equal(tifffile.imread(tmp_path / "a.tif"), wide[:, ::2])


def test_a_full_disk_is_a_write_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Injected: the second write finds no space."""
    calls = []

    def fill_up(file: io.RawIOBase, data: memoryview) -> None:
        calls.append(len(data))
        if len(calls) == 2:
            raise OSError(errno.ENOSPC, "No space left on device")
        real(file, data)

    real = writer.write_all
    monkeypatch.setattr(writer, "write_all", fill_up)
    with pytest.raises(WriteError, match="disk is full"):
        write(tmp_path / "a.tif", spec_of(9, 90), noise(9, 90))
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("at", [-1, -300, 60])
def test_one_wrong_byte_on_the_disk_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at: int) -> None:
    """A disk that gives back other bytes than it took: pixels (from the end) or header."""

    def spoil(path: Path) -> None:
        data = bytearray(path.read_bytes())
        data[at] ^= 1
        path.write_bytes(data)

    monkeypatch.setattr(readback, "forget_cached", spoil)
    with pytest.raises(WriteError, match="reads back differently"):
        write(tmp_path / "a.tif", spec_of(9, 90), noise(9, 90))
    assert list(tmp_path.iterdir()) == []


def test_a_file_cut_short_on_the_disk_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(readback, "forget_cached", lambda path: path.write_bytes(path.read_bytes()[:-7]))
    with pytest.raises(WriteError, match="bytes"):
        write(tmp_path / "a.tif", spec_of(9, 90), noise(9, 90))


def test_a_small_file_taken_in_pieces_is_written_whole(tmp_path: Path) -> None:
    class Slow(io.BytesIO):
        def write(self, data: memoryview) -> int:  # type: ignore[override]
            return super().write(data[:3])

    slow = Slow()
    writer.write_all(slow, memoryview(b"0123456789"))
    assert slow.getvalue() == b"0123456789"


def test_no_place_to_write_is_a_write_error(tmp_path: Path) -> None:
    with pytest.raises(WriteError, match="could not be written"):
        MasterWriter(tmp_path / "gone" / "a.tif", spec_of(9, 5)).__enter__()


def test_written_at_defaults_to_now_with_its_zone(tmp_path: Path) -> None:
    before = datetime.now().astimezone().replace(microsecond=0)
    with MasterWriter(tmp_path / "a.tif", spec_of(9, 5)) as out:
        out.write_rows(noise(9, 5))
        record = out.finish()
    told = datetime.strptime(dict(record.tags)["DateTime"], "%Y:%m:%d %H:%M:%S").replace(tzinfo=before.tzinfo)
    assert before <= told <= datetime.now(UTC)


@pytest.mark.parametrize("bits", [8, 16])
def test_a_fourth_channel_is_unassociated_alpha(tmp_path: Path, bits: int) -> None:
    path, colours = tmp_path / "layer.tif", noise(53, 71, bits=bits)
    covered = np.full((71, 53, 1), 2**bits - 1, colours.dtype)
    covered[:, 30:] = 0
    pixels = np.concatenate([colours, covered], axis=2)
    with MasterWriter(path, spec_of(53, 71, bits=bits), has_alpha=True) as out:
        out.write_rows(pixels[:40])
        with pytest.raises(InternalFault):
            out.write_rows(colours[40:])
        out.write_rows(pixels[40:])
        assert out.finish().sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    found = entries(path)
    assert found[338] == (3, 1, found[338][2]) and found[338][2][:2] == b"\x02\x00"
    assert np.array_equal(tifffile.imread(path), pixels)
    if bits == 8:
        with Image.open(path) as image:
            assert image.mode == "RGBA" and np.array_equal(np.asarray(image), pixels)
