"""The PNG that is written row by row, read by another library, and what a picture says of itself."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from fixtures.flatbed.profiles import Profile, profile_bytes
from stitch.errors import InternalFault
from stitch.master.carried import is_ours, read_carried
from stitch.master.png import PngWriter
from stitch.master.writer import MasterWriter
from stitch.master.xmp import xmp_packet
from stitch.model.geometry import Size
from stitch.model.master import DerivedSpec, MasterSpec

MOMENT = datetime(2026, 11, 26, 8, 0, tzinfo=UTC)


def spec(**changes: object) -> dict[str, object]:
    usual = {"size": Size(5, 4), "bits": 16, "ppi": 600.0, "profile": None, "title": "Harbour", "creator": "L"}
    rest = {"rights": "", "history": ("joined",), "ingredients": (("A1.tif", "ab" * 32),)}
    return {**usual, **rest, **changes}


@pytest.mark.parametrize(("samples", "bits"), [(1, 8), (3, 16), (4, 8), (4, 16)])
def test_another_library_reads_what_was_written(tmp_path: Path, samples: int, bits: int) -> None:
    rng = np.random.default_rng(samples + bits)
    pixels = rng.integers(0, 2**bits, (37, 23, samples)).astype(np.uint8 if bits == 8 else np.uint16)
    path, profile = tmp_path / "a.png", profile_bytes(Profile.SRGB)
    with PngWriter(path, Size(23, 37), samples=samples, bits=bits, ppi=300, profile=profile, xmp=b"<x/>") as writer:
        for top in range(0, 37, 10):
            writer.write_rows(pixels[top : top + 10])
        writer.finish()
    found = cv2.imread(str(path), cv2.IMREAD_UNCHANGED).reshape(37, 23, samples)
    order = [2, 1, 0, 3][:samples] if samples > 1 else [0]
    assert np.array_equal(found[..., order], pixels)
    with Image.open(path) as image:
        image.load()
        assert image.info["dpi"] == pytest.approx((300, 300), abs=0.01)
        assert image.info.get("icc_profile") == (profile if samples > 1 else None)
        assert image.info["xmp"] == b"<x/>"
    assert is_ours(path)


def test_a_png_without_all_its_rows_is_not_left_behind(tmp_path: Path) -> None:
    path = tmp_path / "a.png"
    with pytest.raises(InternalFault), PngWriter(path, Size(4, 4), samples=1, bits=8, ppi=300) as writer:
        writer.write_rows(np.zeros((3, 4), np.uint8))
        writer.finish()
    assert not path.exists()


def test_history_is_carried_on_with_its_own_dates(tmp_path: Path) -> None:
    path = tmp_path / "master.tif"
    with MasterWriter(path, MasterSpec(**spec()), written_at=MOMENT) as writer:
        writer.write_rows(np.zeros((4, 5, 3), np.uint16))
        writer.finish()
    carried = read_carried(path)
    assert (carried.title, carried.creator) == ("Harbour", "L")
    assert [event.told for event in carried.events][1:] == ["joined"]
    assert carried.ingredients == (("A1.tif", "ab" * 32),)
    assert is_ours(path)
    next_one = DerivedSpec(**spec(history=("lifted",)), earlier=carried.events, made_from=("master.tif", "cd" * 32))
    packet = xmp_packet(next_one, MOMENT.replace(year=2028), "image/png").decode()
    assert packet.count("2026-11-26T08:00:00+00:00") == 2
    assert packet.index(">joined<") < packet.index(">lifted<")
    assert "cd" * 32 in packet and "image/png" in packet


def test_a_picture_of_someone_else_is_not_ours(tmp_path: Path) -> None:
    path = tmp_path / "a.png"
    Image.new("RGB", (3, 3)).save(path)
    (tmp_path / "a.txt").write_text("x")
    assert not is_ours(path) and not is_ours(tmp_path / "a.txt")
    assert read_carried(path).events == ()
