"""Files: formats, profiles, orientation, names, determinism, whole-pixel tiles, paintings by windows."""

from __future__ import annotations

import hashlib
import io
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms, ImageOps

from fixtures.flatbed.case import Case, Compression, FileFormat, Profile
from fixtures.flatbed.cases import CASES, big_case, named
from fixtures.flatbed.files import stored_from_shown, write_scan
from fixtures.flatbed.noise import Grid
from fixtures.flatbed.paintings import Kind, Painting, Tooth
from fixtures.flatbed.profiles import profile_bytes
from fixtures.flatbed.simulate import plan, simulate
from fixtures.flatbed.truth import load_truth, painting_mm, scan_px

TINY = Case("tiny", Kind.ORNAMENT, width_mm=40.0, height_mm=50.0, dpi=90.0, jitter_mm=1.0)
TIFF_COMPRESSION = {
    Compression.NONE: 1,
    Compression.LZW: 5,
    Compression.DEFLATE: 8,
    Compression.PACKBITS: 32773,
    Compression.ZSTD: 50000,
    Compression.JPEG: 7,
}


def ramp(bits: int) -> np.ndarray:
    rng = np.random.default_rng(1)
    smooth = np.add.outer(np.arange(90) * 2, np.arange(70))[..., None] + (0, 20, 40)
    values = smooth + rng.integers(0, 4, (90, 70, 3))
    return values.astype(np.uint8) if bits == 8 else (values * 150).astype(np.uint16)


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize(
    ("compression", "has_predictor"),
    [
        (Compression.NONE, False),
        (Compression.PACKBITS, False),
        (Compression.LZW, False),
        (Compression.LZW, True),
        (Compression.DEFLATE, False),
        (Compression.DEFLATE, True),
        (Compression.ZSTD, False),
        (Compression.ZSTD, True),
    ],
)
def test_tiff_holds_what_was_asked(tmp_path: Path, bits: int, has_predictor: bool, compression: Compression) -> None:
    case = replace(TINY, bits=bits, compression=compression, has_predictor=has_predictor, profile=Profile.WIDE)
    path = tmp_path / "a.tif"
    write_scan(path, ramp(bits), case)
    with tifffile.TiffFile(path) as tif:
        page = tif.pages[0]
        assert page.compression == TIFF_COMPRESSION[compression]
        assert page.predictor == (2 if has_predictor else 1)
        assert page.bitspersample == bits
        assert page.iccprofile == profile_bytes(Profile.WIDE)
        assert page.tags["XResolution"].value == (90, 1)
        assert page.tags["ResolutionUnit"].value == 2
        np.testing.assert_array_equal(page.asarray(), ramp(bits))


def test_jpeg_in_tiff_and_other_formats(tmp_path: Path) -> None:
    shown = ramp(8)
    for case, name in (
        (replace(TINY, bits=8, compression=Compression.JPEG), "a.tif"),
        (replace(TINY, bits=8, file_format=FileFormat.JPEG), "a.jpg"),
        (replace(TINY, bits=8, file_format=FileFormat.PNG), "a.png"),
    ):
        write_scan(tmp_path / name, shown, case)
        with Image.open(tmp_path / name) as picture:
            assert picture.info["icc_profile"] == profile_bytes(Profile.SRGB)
            assert picture.info["dpi"][0] == pytest.approx(90, abs=0.01)
            off = np.asarray(picture.convert("RGB")).astype(int) - shown
            assert np.abs(off).mean() < (0.01 if name.endswith("png") else 3)
    write_scan(tmp_path / "b.png", ramp(16), replace(TINY, file_format=FileFormat.PNG))
    data = np.frombuffer((tmp_path / "b.png").read_bytes(), np.uint8)
    np.testing.assert_array_equal(cv2.imdecode(data, cv2.IMREAD_UNCHANGED)[..., ::-1], ramp(16))


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_is_undone_by_another_reader(tmp_path: Path, orientation: int) -> None:
    path = tmp_path / "a.tif"
    write_scan(path, ramp(8), replace(TINY, bits=8, orientation=orientation))
    with Image.open(path) as picture:
        assert picture.getexif().get(274) == orientation
    raw = Image.fromarray(np.ascontiguousarray(stored_from_shown(ramp(8), orientation)))
    exif = Image.Exif()
    exif[274] = orientation
    buffer = io.BytesIO()
    raw.save(buffer, "PNG", exif=exif)
    with Image.open(buffer) as picture:
        np.testing.assert_array_equal(np.asarray(ImageOps.exif_transpose(picture)), ramp(8))


def test_profiles_are_read_by_a_colour_engine() -> None:
    lab = ImageCms.createProfile("LAB")
    for kind in (Profile.SRGB, Profile.WIDE):
        data = profile_bytes(kind)
        assert data is not None and data == profile_bytes(kind), "the same bytes every time"
        profile = ImageCms.ImageCmsProfile(io.BytesIO(data))
        transform = ImageCms.buildTransform(profile, lab, "RGB", "LAB", ImageCms.Intent.RELATIVE_COLORIMETRIC)
        white, green = (
            ImageCms.applyTransform(Image.new("RGB", (1, 1), rgb), transform).getpixel((0, 0))
            for rgb in ((255, 255, 255), (0, 255, 0))
        )
        np.testing.assert_allclose(white, (255, 128, 128), atol=1)  # Pillow keeps a* and b* with 128 added
        chroma = np.hypot(green[1] - 128, green[2] - 128)
        assert chroma > (140 if kind is Profile.WIDE else 110)
    assert profile_bytes(Profile.NONE) is None


def folder_sums(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.suffix != ".json"
    }


def test_same_seed_same_files(tmp_path: Path) -> None:
    first = simulate(TINY, tmp_path / "a")
    again = simulate(TINY, tmp_path / "b")
    other = simulate(replace(TINY, seed=2), tmp_path / "c")
    assert first == again != other
    assert folder_sums(tmp_path / "a") == folder_sums(tmp_path / "b")
    assert not set(folder_sums(tmp_path / "a").values()) & set(folder_sums(tmp_path / "c").values())


def test_names_carry_no_order() -> None:
    orders = {tuple(s.file_name for s in plan(replace(TINY, seed=seed)).scans) for seed in range(12)}
    assert len(orders) > 6
    assert all(sorted(order) == [f"scan_{k:02d}.tif" for k in (1, 2, 3, 4)] for order in orders)
    plain = plan(replace(TINY, are_names_shuffled=False))
    assert [s.file_name for s in plain.scans] == [f"scan_{k:02d}.tif" for k in (1, 2, 3, 4)]


@pytest.mark.parametrize("name", ["tiles-exact", "tiles-exact-8"])
@pytest.mark.parametrize("seed", [1, 4])
def test_exact_tiles_are_cuts_of_the_whole(tmp_path: Path, name: str, seed: int) -> None:
    case = replace(named(name, seed), width_mm=50.0, height_mm=60.0, dpi=110.0)
    truth = simulate(case, tmp_path)
    whole = tifffile.imread(tmp_path / "whole.tif")
    assert truth.whole is not None
    shifts = set()
    for scan in truth.scans:
        at = scan_px(truth.whole, painting_mm(scan, np.zeros((1, 2))))[0]
        x, y = np.rint(at).astype(int)
        assert np.abs(at - (x, y)).max() < 1e-9
        tile = tifffile.imread(tmp_path / "scans" / scan.file_name)
        x0, y0 = max(0, x), max(0, y)
        x1, y1 = min(whole.shape[1], x + scan.width_px), min(whole.shape[0], y + scan.height_px)
        np.testing.assert_array_equal(tile[y0 - y : y1 - y, x0 - x : x1 - x], whole[y0:y1, x0:x1])
        shifts.add((x, y))
    assert len(shifts) == 4


@pytest.mark.parametrize("kind", [k for k in Kind if k is not Kind.DOTS])
def test_painting_is_the_same_whatever_the_windows(kind: Kind) -> None:
    painting = Painting(kind, 5, 80.0, 100.0, 0.4, margin_mm=8.0)
    whole, relief = painting.window(Grid(96.0, 0, 0, 300, 370))
    part, part_relief = painting.window(Grid(96.0, 140, 120, 110, 150))
    assert np.abs(part - whole[120:270, 140:250]).max() < 2e-3
    assert np.abs(part - whole[120:270, 140:250]).mean() < 1e-5
    assert whole.std() > 0.001
    if relief is not None and part_relief is not None:
        assert np.abs(part_relief - relief[120:270, 140:250]).max() < 5e-3


@pytest.mark.parametrize("kind", [k for k in Kind if k not in (Kind.DOTS, Kind.HARBOUR)])
def test_seed_changes_the_painting(kind: Kind) -> None:
    first, second = (
        Painting(kind, seed, 80.0, 100.0, 0.4, margin_mm=8.0, tooth=Tooth.ROUGH).window(Grid(96.0, 40, 40, 80, 80))[0]
        for seed in (1, 2)
    )
    assert np.abs(first - second).mean() > 1e-4


def test_every_named_case_can_be_planned() -> None:
    for name in CASES:
        truth = plan(named(name, 3))
        assert truth.seed == 3 and truth.scans
        assert truth.expected in ("solved", "refused", "either")
    assert {"quarters-oil", "grid-3x3-oil", "tiles-exact", "missing", "foreign", "no-overlap", "demo"} <= set(CASES)
    assert len(plan(named("missing")).scans) == 8
    assert [s.is_foreign for s in plan(named("foreign")).scans] == [False] * 4 + [True]


def test_scans_of_the_far_apart_case_do_not_meet() -> None:
    upper, lower = plan(named("no-overlap", 2)).scans
    xy = np.array([[0.0, 0.0], [upper.width_px - 1.0, 0.0]])
    below = np.array([[0.0, upper.height_px - 1.0], [upper.width_px - 1.0, upper.height_px - 1.0]])
    assert painting_mm(upper, below)[:, 1].max() < painting_mm(lower, xy)[:, 1].min() - 15.0


def test_big_case_has_the_size_asked_for(tmp_path: Path) -> None:
    case = big_case(1.5, dpi=150.0)
    truth = simulate(case, tmp_path)
    height, width = tifffile.imread(tmp_path / truth.ideal_name).shape[:2]
    assert width * height == pytest.approx(1.5e6, rel=0.01)
    assert len(big_case(300).laid.pieces) >= 4


def test_command_line(tmp_path: Path) -> None:
    script = Path(__file__).parents[2] / "scripts" / "simulate.py"
    listed = subprocess.run([sys.executable, script, "--list"], capture_output=True, text=True, check=True).stdout
    assert "quarters-oil" in listed and "demo" in listed
    command = [sys.executable, script, "--case", "quarters-ornament", "--seed", "4", "--dpi", "40", "--out", tmp_path]
    subprocess.run(command, capture_output=True, text=True, check=True)
    assert load_truth(tmp_path).seed == 4
    assert len(list((tmp_path / "scans").glob("*.tif"))) == 4
    wrong = subprocess.run([sys.executable, script, "--case", "nonsense", "--out", tmp_path], capture_output=True)
    assert wrong.returncode == 2
