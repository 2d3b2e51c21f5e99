"""Sizes, fits, names, colours and the JPEG of prints."""

import io
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
from PIL import Image, ImageCms

from fixtures.flatbed.profiles import wide_gamut_profile
from stitch.cli.print_sizes import wanted_sizes
from stitch.errors import UsageError
from stitch.model.geometry import Size
from stitch.model.prints import Fit, Intent
from stitch.prints.colours import converted, out_of_gamut, srgb_profile
from stitch.prints.detail import fullest_middle
from stitch.prints.fit import Room, bordered, cropped, paper_size, stretched
from stitch.prints.jpeg import JpegWriter, head_segments
from stitch.prints.names import clashes, fitting, safe
from stitch.prints.sizes import PrintSize, pixels

# Published and common sizes at 300 dpi: ISO 216 by 300 / 25.4, rounded; frames by inches × 300.
AT_300 = {
    "A5": (1748, 2480),
    "A4": (2480, 3508),
    "A3": (3508, 4961),
    "A2": (4961, 7016),
    "A1": (7016, 9933),
    "5x7in": (1500, 2100),
    "8x10in": (2400, 3000),
    "11x14in": (3300, 4200),
    "16x20in": (4800, 6000),
    "18x24in": (5400, 7200),
    "20x24in": (6000, 7200),
    "24x36in": (7200, 10800),
}


@pytest.mark.parametrize("name", AT_300)
def test_pixel_counts_are_the_published_ones(name: str) -> None:
    (one,) = wanted_sizes(name, unit=None, own={})
    paper, dpi = paper_size(one.size, 300.0, Room(), None)
    assert (paper.width_px, paper.height_px) == AT_300[name] and dpi == 300
    upright = one.size.following(is_wide=False)
    assert one.size.following(is_wide=True).width_mm == upright.height_mm


def test_sets_fits_and_own_sets_are_spelled_out() -> None:
    found = wanted_sizes("square:border, Flur, 8x8in:border", unit=None, own={"flur": ("30x40cm", "a3")})
    assert [one.size.name for one in found][-2:] == ["30x40cm", "A3"]
    assert [one.fit for one in found] == [Fit.BORDER] * 5 + [None, None]
    with pytest.raises(UsageError, match="asks for 'squeeze'"):
        wanted_sizes("A4:squeeze", unit=None, own={})


def test_what_a_crop_loses_and_a_border_leaves() -> None:
    work, size = Size(4000, 3000), PrintSize("5x7in", 177.8, 127.0)
    paper, _ = paper_size(size, 300.0, Room(), None)
    frame = cropped(size, work, 400.0, paper, 300.0, (0.0, 3000.0))
    assert frame.lost_mm[0] == frame.lost_mm[1] == 0 and frame.lost_mm[3] == 0
    assert frame.lost_mm[2] == pytest.approx((3000 - 4000 * 5 / 7) * 25.4 / 400)
    assert frame.effective_dpi == pytest.approx(4000 / 7)
    room = Room(bleed_mm=3, border_mm=10)
    paper, _ = paper_size(size, 300.0, room, None)
    framed = bordered(size, work, paper, 300.0, room)
    at = framed.picture
    assert min(at.x0_px, at.y0_px, paper.width_px - at.x1_px, paper.height_px - at.y1_px) >= pixels(13, 300) - 1
    assert at.width_px / at.height_px == pytest.approx(4 / 3, abs=0.001)
    with pytest.raises(UsageError, match="never done"):
        stretched(size, work, paper, 300.0)


def test_a_limited_side_gets_fewer_dots() -> None:
    paper, dpi = paper_size(PrintSize("A4", 210, 297), 300.0, Room(), 2000)
    assert max(paper.width_px, paper.height_px) == 2000 and dpi == pytest.approx(2000 * 25.4 / 297)


def test_the_part_that_holds_most_is_kept() -> None:
    small = np.full((100, 300, 3), 120, np.uint8)
    assert fullest_middle(small, 0.4, 1.0) == (0.5, 0.5)
    small[:, 200:290] = np.random.default_rng(0).integers(0, 255, (100, 90, 3))
    x, y = fullest_middle(small, 0.4, 1.0)
    assert 0.75 < x < 0.81 and y == 0.5


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("Harbour: evening?", "Harbour- evening"),
        ("con", "con-"),
        ("Aux.study", "Aux.study-"),
        ("  three   dots... ", "three dots"),
        ("Cafe\u0301", "Café"),
        ('a<b>"c"|d*\\/', "a-b--c--d"),
        ("\u202e\0", "untitled"),
    ],
)
def test_names_are_safe_everywhere(text: str, name: str) -> None:
    assert safe(text) == name


def test_long_and_clashing_names(tmp_path: Path) -> None:
    path = fitting(tmp_path, "x" * 400, "_16x20in_300dpi.jpg")
    assert len(str(path)) <= 259 and path.name.endswith("x_16x20in_300dpi.jpg")
    assert len(safe("é" * 300).encode()) <= 200
    (tmp_path / "CAFE\u0301_A4.jpg").write_bytes(b"")
    assert clashes(["café_a4.jpg", "other.jpg"], tmp_path) == ["CAFE\u0301_A4.jpg"]


@pytest.mark.parametrize("intent", list(Intent))
def test_colours_are_those_of_the_other_binding_of_the_library(intent: Intent) -> None:
    codes = np.random.default_rng(2).integers(0, 256, (64, 64, 3), dtype=np.uint8)
    wide = wide_gamut_profile()
    made = converted(codes, wide, srgb_profile(), intent, 8)
    flags = ImageCms.Flags.BLACKPOINTCOMPENSATION if intent is Intent.RELATIVE else ImageCms.Flags.NONE
    number = {"perceptual": 0, "relative": 1, "saturation": 2, "absolute": 3}[intent.value]
    there, here = (ImageCms.ImageCmsProfile(io.BytesIO(profile)) for profile in (wide, srgb_profile()))
    wanted = ImageCms.profileToProfile(
        Image.fromarray(codes), there, here, renderingIntent=ImageCms.Intent(number), flags=flags
    )
    assert np.abs(made.astype(int) - np.asarray(wanted)).max() <= 1
    fine = converted(codes.astype(np.uint16) * 257, wide, srgb_profile(), intent, 16)
    assert np.abs(fine / 257.0 - made).max() <= 1.0


def test_the_share_out_of_gamut() -> None:
    grey = np.full((8, 8, 3), 30000, np.uint16)
    grey[:2, :, 1:] = 0  # pure red of the wide profile
    assert out_of_gamut(grey, wide_gamut_profile(), srgb_profile()) == pytest.approx(0.25)
    assert out_of_gamut(grey, srgb_profile(), srgb_profile()) == 0


@pytest.mark.parametrize("size", [Size(200, 64), Size(333, 700), Size(17, 5)])
def test_a_jpeg_in_strips_is_the_jpeg_in_one(tmp_path: Path, size: Size) -> None:
    rng = np.random.default_rng(3)
    picture = rng.integers(0, 256, (size.height_px, size.width_px, 3), dtype=np.uint8)
    profile = rng.bytes(150_000)  # more than one segment holds
    head = head_segments(240.0, profile, b"<x/>", title="Käfer", creator="Ylva", rights="© Ylva", software="s")
    path = tmp_path / "print.jpg"
    with JpegWriter(path, size, 90, head) as writer:
        for first in range(0, size.height_px, 50):
            writer.write_rows(picture[first : first + 50])
        writer.finish()
    whole = imagecodecs.jpeg8_encode(picture, level=90, subsampling="444", colorspace="rgb", outcolorspace="ycbcr")
    assert np.array_equal(imagecodecs.jpeg8_decode(path.read_bytes()), imagecodecs.jpeg8_decode(whole))
    with Image.open(path) as found:
        found.load()
        assert found.info["dpi"] == (240, 240) and found.info["icc_profile"] == profile
        assert [layer[1:3] for layer in found.layer] == [(1, 1)] * 3
        assert found.getexif()[315] == "Ylva" and found.info["xmp"] == b"<x/>"


def test_a_jpeg_left_unfinished_is_gone(tmp_path: Path) -> None:
    with pytest.raises(RuntimeError), JpegWriter(tmp_path / "x.jpg", Size(8, 8), 90, b"") as writer:
        writer.write_rows(np.zeros((4, 8, 3), np.uint8))
        raise RuntimeError
    assert not list(tmp_path.iterdir())
