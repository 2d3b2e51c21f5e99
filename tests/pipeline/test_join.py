"""The main job, end to end, on scans whose truth is known."""

import json
import subprocess
from pathlib import Path
from xml.etree import ElementTree

import cv2
import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms

from stitch.pipeline import join
from tests.pipeline.jobs import (
    PPI,
    hashes,
    jittered_scans,
    matrix_profile,
    picture,
    request,
    stitch,
    tiles,
    with_png_resolution,
    write_scans,
)


@pytest.mark.parametrize(("bits", "memory_mb"), [(16, 1000), (8, 400)])
def test_whole_pixel_tiles_come_back_bit_for_bit(tmp_path: Path, bits: int, memory_mb: int) -> None:
    image = picture(bits, bits)
    scans = write_scans(tmp_path / "scans", tiles(image))
    summary = join(request(scans, memory_mb=memory_mb))
    assert summary.exit_code == 0
    np.testing.assert_array_equal(tifffile.imread(tmp_path / "scans-joined" / "master.tif"), image)


def test_names_and_order_do_not_matter_to_a_bit(tmp_path: Path) -> None:
    image = picture(21)
    found = tiles(image)
    names = ["zz", "Küste ☀ 3", "a b", "x" * 200]
    scans = write_scans(tmp_path / "scans", dict(zip(names, reversed(found.values()), strict=True)))
    assert join(request(scans)).exit_code == 0
    np.testing.assert_array_equal(tifffile.imread(tmp_path / "scans-joined" / "master.tif"), image)


@pytest.mark.parametrize("turn", [90, 180, 270])
def test_up_turns_the_master_without_resampling(tmp_path: Path, turn: int) -> None:
    image = picture(22)
    scans = write_scans(tmp_path / "scans", tiles(image))
    join(request(scans, up_deg=turn))
    expected = np.rot90(image, -turn // 90)
    np.testing.assert_array_equal(tifffile.imread(tmp_path / "scans-joined" / "master.tif"), expected)


def test_scans_are_untouched_and_every_checksum_holds(tmp_path: Path) -> None:
    scans = jittered_scans(1, tmp_path / "scans")
    before = hashes(scans)
    summary = join(request(scans))
    assert hashes(scans) == before
    assert {scan.scan_id: scan.sha256 for scan in summary.scans} == dict(summary.sha256_after)
    job = tmp_path / "scans-joined"
    lines = (job / "checksums.sha256").read_text().splitlines()
    assert len(lines) == 4 + 6
    checked = subprocess.run(["sha256sum", "-c", "checksums.sha256"], cwd=job, capture_output=True, text=True)
    assert checked.returncode == 0, checked.stdout
    assert stitch("verify", job).returncode == 0
    (job / "report.html").write_text("changed")
    assert stitch("verify", job).returncode == 1


def test_windows_of_different_size_agree_within_16_codes(tmp_path: Path) -> None:
    scans = jittered_scans(2, tmp_path / "scans", gain=0.03)
    join(request(scans, memory_mb=1000, jobs=2))
    large = tifffile.imread(tmp_path / "scans-joined" / "master.tif").astype(int)
    second = request(scans, memory_mb=260, jobs=1)
    join(type(second)(inputs=second.inputs, settings=second.settings, out=tmp_path / "other"))
    small = tifffile.imread(tmp_path / "other" / "master.tif").astype(int)
    assert np.abs(large - small).max() <= 16


def test_labels_register_with_the_master_pixel_for_pixel(tmp_path: Path) -> None:
    image = picture(23)
    found = tiles(image)
    scans = write_scans(tmp_path / "scans", found)
    join(request(scans))
    job = tmp_path / "scans-joined"
    labels, master = tifffile.imread(job / "seam-labels.tif"), tifffile.imread(job / "master.tif")
    assert labels.shape == master.shape[:2]
    assert set(np.unique(labels)) == {1, 2, 3, 4}
    plain = json.loads((job / "report.json").read_text())
    names = [p["scan_id"] for p in plain["layout"]["placements"]]
    for number, name in enumerate(names, start=1):
        rows, columns = np.nonzero(labels == number)
        matrix = np.array(plain["layout"]["placements"][number - 1]["canvas_from_scan"])
        there = found[name][rows - int(matrix[1, 2]), columns - int(matrix[0, 2])]
        np.testing.assert_array_equal(master[rows, columns], there)


def test_a_second_run_keeps_everything_and_a_new_tape_redoes_only_the_size(tmp_path: Path) -> None:
    scans = jittered_scans(3, tmp_path / "scans")
    first = join(request(scans))
    assert not any(timing.is_kept for timing in first.timings)
    job = tmp_path / "scans-joined"
    master = hashes(job)["master.tif"]
    again = join(request(job))
    assert all(timing.is_kept for timing in again.timings)
    assert hashes(job)["master.tif"] == master
    taped = join(request(job, width_mm=100.0))
    assert [timing.room for timing in taped.timings if not timing.is_kept] == ["size"]


def test_smaller_dpi_is_reduced_and_larger_refused_unless_allowed(tmp_path: Path) -> None:
    scans = jittered_scans(4, tmp_path / "scans")
    whole = join(request(scans))
    half = join(request(scans, dpi=100.0))
    assert half.master_spec is not None and whole.master_spec is not None
    assert half.master_spec.size.width_px == pytest.approx(whole.master_spec.size.width_px / 2, abs=1.5)
    refused = stitch("join", scans, "--dpi", "400")
    assert refused.returncode == 3
    assert "--allow-enlarge" in refused.stderr
    allowed = join(request(scans, dpi=300.0, allow_enlarge=True))
    assert allowed.master_spec is not None
    assert any("Enlarged" in sentence for sentence in allowed.master_spec.history)
    with Image.open(tmp_path / "scans-joined" / "master.tif") as image:
        assert image.info["dpi"] == (300.0, 300.0)


def test_profile_is_embedded_unchanged_and_missing_one_is_said(tmp_path: Path) -> None:
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    scans = write_scans(tmp_path / "scans", tiles(picture(24)), iccprofile=profile)
    join(request(scans))
    with Image.open(tmp_path / "scans-joined" / "master.tif") as image:
        assert image.info["icc_profile"] == profile
    bare = write_scans(tmp_path / "bare", tiles(picture(24)))
    summary = join(request(bare))
    assert any("profile" in finding.message for finding in summary.findings)


def test_unlike_gains_are_matched(tmp_path: Path) -> None:
    scans = jittered_scans(5, tmp_path / "scans", gain=0.06)
    summary = join(request(scans, tone_reference="A1"))
    assert summary.tone is not None and summary.tone.reference_id == "A1"
    before = np.mean([pair.mean_before_de00 for pair in summary.tone.pairs])
    after = np.mean([pair.mean_after_de00 for pair in summary.tone.pairs])
    assert before > 0.8
    assert after < 0.25


def test_scans_of_different_formats_join_bit_for_bit(tmp_path: Path) -> None:
    image = picture(25)
    found = tiles(image)
    scans = write_scans(tmp_path / "scans", {"A1": found["A1"]}, byteorder=">", bigtiff=True)
    write_scans(scans, {"A2": found["A2"]}, tile=(128, 128), compression="zlib", predictor=True)
    write_scans(scans, {"B1": found["B1"]}, compression="lzw", rowsperstrip=16)
    encoded = cv2.imencode(".png", found["B2"][..., ::-1])[1]
    dots = round(PPI / 0.0254)
    (scans / "B2.png").write_bytes(with_png_resolution(encoded.tobytes(), dots))
    summary = join(request(scans))
    assert summary.exit_code == 0, summary.findings
    np.testing.assert_array_equal(tifffile.imread(tmp_path / "scans-joined" / "master.tif"), image)


def test_jpeg_and_wide_gamut_scans_make_an_8_bit_master_with_their_profile(tmp_path: Path) -> None:
    profile = matrix_profile((0.64, 0.33), (0.21, 0.71), (0.15, 0.06), 563 / 256)
    scans = tmp_path / "scans"
    scans.mkdir()
    for name, pixels in tiles(picture(26, 8)).items():
        options = {"quality": 95, "dpi": (PPI, PPI), "icc_profile": profile}
        Image.fromarray(pixels).save(scans / f"{name}.jpg", **options)
    summary = join(request(scans))
    assert summary.exit_code in (0, 1)
    with Image.open(tmp_path / "scans-joined" / "master.tif") as image:
        assert image.mode == "RGB"
        assert image.info["icc_profile"] == profile
    facts = subprocess.run(
        ["tiffinfo", str(tmp_path / "scans-joined" / "master.tif")], capture_output=True, text=True, check=True
    )
    assert "Bits/Sample: 8" in facts.stdout
    assert "Resolution: 200, 200 pixels/inch" in facts.stdout


def test_what_was_typed_is_in_the_master_for_other_programs(tmp_path: Path) -> None:
    scans = write_scans(tmp_path / "scans", tiles(picture(27)))
    facts = {"title": "Morning & fog <3", "creator": "Ünal", "rights": "© 2026"}
    join(request(scans, **facts))
    with Image.open(tmp_path / "scans-joined" / "master.tif") as image:
        packet = image.tag_v2[700]
    root = ElementTree.fromstring(packet)
    texts = [element.text for element in root.iter() if element.text]
    for value in facts.values():
        assert value in texts
    assert len([text for text in texts if text.startswith("urn:sha256:")]) == 4
