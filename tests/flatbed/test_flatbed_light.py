"""Tone, relief, dust, lid and shadow of the simulated scans."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile
from scipy import ndimage

from fixtures.flatbed import layout
from fixtures.flatbed.case import Background, Case
from fixtures.flatbed.cases import named
from fixtures.flatbed.curves import Curve, decode, encode
from fixtures.flatbed.ideal import load_ideal, relit
from fixtures.flatbed.layout import Arrangement, Piece
from fixtures.flatbed.paintings import Kind
from fixtures.flatbed.simulate import plan, simulate
from fixtures.flatbed.truth import (
    MM_PER_INCH,
    TrueScan,
    apply_tone,
    bed_field,
    expected_encoded,
    ideal_px,
    painting_mm,
    scan_px,
)

SMALL = Case("small", Kind.WATERCOLOUR, width_mm=60.0, height_mm=70.0, dpi=110.0, margin_mm=8.0, jitter_mm=1.0)
MIDDLE = Arrangement(50.0, 55.0, (Piece(30.0, 35.0), Piece(30.0, 35.0, 180), Piece(30.0, 35.0, 90)))


def pixels_of(folder: Path, scan: TrueScan) -> np.ndarray:
    return tifffile.imread(folder / "scans" / scan.file_name)


def centres(scan: TrueScan, step: int = 1) -> np.ndarray:
    xs, ys = np.meshgrid(np.arange(0, scan.width_px, step), np.arange(0, scan.height_px, step))
    return np.column_stack([xs.ravel(), ys.ravel()]).astype(float)


@pytest.mark.parametrize("seed", [1, 2])
def test_scan_is_the_ideal_painting_with_its_tone(tmp_path: Path, seed: int) -> None:
    case = replace(
        SMALL,
        kind=Kind.DOTS,
        seed=seed,
        noise_scale=0.0,
        gain_fraction=0.08,
        gamma_fraction=0.04,
        offset_fraction=0.004,
        warmup_fraction=0.05,
        falloff_fraction=0.04,
        tilt_fraction=0.02,
    )
    truth = simulate(case, tmp_path)
    ideal = tifffile.imread(tmp_path / truth.ideal_name) / 65535.0
    for scan in truth.scans:
        xy = centres(scan, 7)
        points = painting_mm(scan, xy)
        inside = np.all((points > 1.0) & (points < (truth.width_mm - 1.0, truth.height_mm - 1.0)), axis=1)
        at = ideal_px(truth, points[inside])[:, ::-1].T
        light = np.column_stack([ndimage.map_coordinates(ideal[..., k], at, order=3) for k in range(3)])
        expected = expected_encoded(truth, scan, light, xy[inside])
        column, row = xy[inside].astype(int).T
        found = pixels_of(tmp_path, scan)[row, column] / 65535.0
        assert np.abs(found - expected).mean() < 1e-4
        assert np.ptp(expected) > 0.2


def test_tone_follows_its_formula() -> None:
    scan = plan(replace(SMALL, gain_fraction=0.05, gamma_fraction=0.03, offset_fraction=0.01)).scans[0]
    gain, gamma, offset = scan.tone.gain_rgb[1], scan.tone.gamma_rgb[1], scan.tone.offset_rgb[1]
    expected = gain * 0.4**gamma + offset
    found = apply_tone(scan, np.full((1, 3), 0.4), None)[0, 1]
    assert found == pytest.approx(expected, rel=1e-12)
    stored = 1.055 * expected ** (1 / 2.4) - 0.055  # IEC 61966-2-1
    assert expected_encoded(plan(SMALL), scan, np.full((1, 3), 0.4))[0, 1] == pytest.approx(stored, rel=1e-9)


def test_curves_go_back_and_forth() -> None:
    light = np.linspace(0, 1, 1001)
    for curve in Curve:
        np.testing.assert_allclose(decode(curve, encode(curve, light)), light, atol=1e-12)


def test_bed_field_is_one_on_average_and_the_same_for_all_but_the_warm_up() -> None:
    case = replace(SMALL, falloff_fraction=0.04, tilt_fraction=0.03, warmup_fraction=0.05)
    truth = plan(case)
    fields = [bed_field(replace(s, tone=replace(s.tone, warmup_rgb=(0, 0, 0))), centres(s, 3)) for s in truth.scans]
    for scan, field in zip(truth.scans, fields, strict=True):
        np.testing.assert_array_equal(field, fields[0])
        assert field.max() - field.min() > 0.03
        np.testing.assert_allclose(bed_field(scan, centres(scan)).mean(axis=0), 1.0, atol=1e-3)
    assert len({scan.tone.warmup_rgb for scan in truth.scans}) == len(truth.scans)


def test_drift_stays_within_what_is_stated() -> None:
    gains = np.array([s.tone.gain_rgb for seed in range(20) for s in plan(replace(SMALL, seed=seed)).scans])
    assert np.abs(gains - 1).max() <= 0.05
    assert np.abs(gains - 1).max() > 0.04


def test_relief_is_inverted_on_a_turned_piece(tmp_path: Path) -> None:
    case = replace(
        SMALL, kind=Kind.BLANK, arrangement=MIDDLE, jitter_mm=0.0, rotation_deg=0.0, gain_fraction=0.0, noise_scale=0.2
    )
    truth = simulate(case, tmp_path)
    pictures = [decode(truth.curve, pixels_of(tmp_path, scan)[..., 1] / 65535.0) for scan in truth.scans]
    upright, turned = pictures[0], pictures[1][::-1, ::-1]
    texture = [p - ndimage.gaussian_filter(p, 6) for p in (upright, turned)]
    inner = np.s_[30:-30, 30:-30]
    correlation = np.corrcoef(texture[0][inner].ravel(), texture[1][inner].ravel())[0, 1]
    assert correlation < -0.8


def test_paint_is_not_inverted_on_a_turned_piece(tmp_path: Path) -> None:
    case = replace(SMALL, arrangement=MIDDLE, relief=0.0, jitter_mm=0.0, rotation_deg=0.0)
    truth = simulate(case, tmp_path)
    pictures = [pixels_of(tmp_path, scan)[..., 1].astype(float) for scan in truth.scans]
    correlation = np.corrcoef(pictures[0].ravel(), pictures[1][::-1, ::-1].ravel())[0, 1]
    assert correlation > 0.97


def test_dust_on_the_glass_stays_at_its_place_on_the_bed(tmp_path: Path) -> None:
    case = replace(SMALL, kind=Kind.BLANK, relief=0.0, glass_dust_count=25, loose_dust_count=5, noise_scale=0.3)
    truth = simulate(case, tmp_path)
    dark = []
    for scan in truth.scans:
        light = decode(truth.curve, pixels_of(tmp_path, scan)[..., 1] / 65535.0)
        dark.append(light - ndimage.median_filter(light, 21))
    px = case.dpi / MM_PER_INCH
    grains = [s for s in truth.glass_dust if s.length_mm == 0 and s.light < 0.5 and s.radius_mm > 0.2]
    assert len(grains) >= 3
    for grain in grains:
        column, row = round(grain.x_mm * px - 0.5), round(grain.y_mm * px - 0.5)
        if 12 < column < truth.scans[0].width_px - 12 and 12 < row < truth.scans[0].height_px - 12:
            assert all(picture[row, column] < -0.1 for picture in dark)
    assert len({scan.loose_dust for scan in truth.scans}) == len(truth.scans)


def test_dust_on_the_painting_moves_with_it(tmp_path: Path) -> None:
    case = replace(SMALL, kind=Kind.BLANK, relief=0.0, painting_dust_count=40, noise_scale=0.0, background="black")
    truth = simulate(replace(case, background=Background.BLACK), tmp_path)
    speck = max((s for s in truth.painting_dust if s.length_mm == 0 and s.light < 0.5), key=lambda s: s.radius_mm)
    places = []
    for scan in truth.scans:
        x, y = np.rint(scan_px(scan, np.array([[speck.x_mm, speck.y_mm]]))[0]).astype(int)
        if 3 < x < scan.width_px - 3 and 3 < y < scan.height_px - 3:
            picture = pixels_of(tmp_path, scan)[..., 1].astype(float)
            assert picture[y, x] < 0.75 * np.median(picture[max(0, y - 15) : y + 16, max(0, x - 15) : x + 16])
            places.append((x, y))
    assert places


@pytest.mark.parametrize(
    ("background", "low", "high"),
    [
        (Background.WHITE, 0.80, 0.92),
        (Background.BLACK, 0.005, 0.02),
        (Background.OPEN, 0.002, 0.08),
        (Background.CLOTH, 0.01, 0.2),
    ],
)
def test_lid_is_seen_around_the_sheet_with_its_shadow(
    tmp_path: Path, background: Background, low: float, high: float
) -> None:
    case = replace(
        SMALL, background=background, gain_fraction=0.0, falloff_fraction=0.0, noise_scale=0.1, rotation_deg=0.5
    )
    truth = simulate(case, tmp_path)
    ratios = []
    for scan in truth.scans:
        light = decode(truth.curve, pixels_of(tmp_path, scan)[..., 1] / 65535.0).ravel()
        points = painting_mm(scan, centres(scan))
        outward = np.maximum(np.maximum(-points, points - (truth.width_mm, truth.height_mm)), 0.0)
        gap = np.hypot(*outward.T)
        far, near = light[gap > 4.5], light[(gap > 0.3) & (gap < 0.9)]
        assert len(far) > 100, "the lid is in view"
        assert low < np.median(far) < high
        ratios.append(np.median(near) / np.median(far))
    assert max(ratios) < 0.95
    assert min(ratios) < 0.85


def test_shadow_is_deeper_away_from_the_lamp(tmp_path: Path) -> None:
    whole = layout.grid(60.0, 70.0, 1, 1)
    case = replace(SMALL, arrangement=whole, rotation_deg=0.0, gain_fraction=0.0, jitter_mm=0.0)
    truth = simulate(case, tmp_path)
    scan = truth.scans[0]
    light = decode(truth.curve, pixels_of(tmp_path, scan)[..., 1] / 65535.0)
    above, below = scan_px(scan, np.array([[30.0, -0.5], [30.0, 70.5]]))[:, 1]
    middle = scan.width_px // 2
    strip = np.s_[middle - 40 : middle + 40]
    assert light[round(above), strip].mean() < light[round(below), strip].mean() - 0.1


def test_noise_is_as_strong_as_stated(tmp_path: Path) -> None:
    case = replace(SMALL, kind=Kind.BLANK, relief=0.0, falloff_fraction=0.0)
    quiet, noisy = tmp_path / "quiet", tmp_path / "noisy"
    truth = simulate(replace(case, noise_scale=0.0), quiet)
    simulate(case, noisy)
    scan = truth.scans[0]
    clean = pixels_of(quiet, scan).astype(float)
    off = pixels_of(noisy, scan) - clean
    expected = 40 + math.sqrt(clean.mean() / 4)
    assert off.std() == pytest.approx(expected, rel=0.03)
    assert abs(off.mean()) < 1.0


def test_overlaps_of_the_blank_case_hold_no_paint(tmp_path: Path) -> None:
    case = replace(named("blank-overlap", 3), dpi=72.0, gain_fraction=0.0, falloff_fraction=0.0, noise_scale=0.0)
    truth = simulate(case, tmp_path)
    for scan in truth.scans:
        picture = pixels_of(tmp_path, scan)[..., 1].astype(float)
        xy = centres(scan, 2)
        points = painting_mm(scan, xy)
        sheet = np.all((points > 1.0) & (points < (truth.width_mm - 1.0, truth.height_mm - 1.0)), axis=1)
        shared = np.zeros(len(xy), bool)
        for other in truth.scans:
            at = scan_px(other, points)
            if other is not scan:
                shared |= np.all((at > 0) & (at < (other.width_px - 1, other.height_px - 1)), axis=1)
        column, row = xy.astype(int).T
        values = picture[row, column]
        assert shared.sum() > 500
        assert np.ptp(values[sheet & shared]) <= 1.0
        assert np.ptp(values[sheet & ~shared]) > 5000


@pytest.mark.parametrize("kind", [Kind.OIL, Kind.WATERCOLOUR, Kind.WHITE, Kind.IMPASTO, Kind.HARBOUR])
def test_nothing_is_clipped(tmp_path: Path, kind: Kind) -> None:
    case = replace(SMALL, kind=kind, gain_fraction=0.08, falloff_fraction=0.02, seed=6, width_mm=100.0, dpi=80.0)
    truth = simulate(case, tmp_path)
    pictures = [pixels_of(tmp_path, scan) for scan in truth.scans]
    assert max(int(p.max()) for p in pictures) < 65535
    assert min(int(p.min()) for p in pictures) > 0


def test_foreign_scan_shows_another_painting(tmp_path: Path) -> None:
    case = replace(SMALL, kind=Kind.OIL, foreign_count=1, rotation_deg=0.0, jitter_mm=0.0, relief=0.0)
    truth = simulate(case, tmp_path)
    foreign = next(scan for scan in truth.scans if scan.is_foreign)
    own = truth.scans[0]  # the piece laid at the same place
    assert own.geometry.centre_mm == foreign.geometry.centre_mm
    inner = np.s_[60:, 60:, 1]
    pictures = [pixels_of(tmp_path, scan)[inner].astype(float).ravel() for scan in (own, foreign)]
    assert abs(np.corrcoef(*pictures)[0, 1]) < 0.5


def test_relit_ideal_is_what_a_turned_scan_sees(tmp_path: Path) -> None:
    case = replace(
        SMALL, kind=Kind.BLANK, arrangement=MIDDLE, jitter_mm=0.0, rotation_deg=0.0, gain_fraction=0.0,
        falloff_fraction=0.0, noise_scale=0.0,
    )  # fmt: skip
    truth = simulate(case, tmp_path)
    ideal = load_ideal(tmp_path, truth.ideal_name, truth.relief_name, truth.ideal_ppi, (60.0, 70.0))
    assert ideal.relief is not None
    for scan in truth.scans:
        seen = relit(ideal.rgb.astype(np.float32) / 65535, ideal.relief, scan.turn_deg, 0.0)
        light = decode(truth.curve, pixels_of(tmp_path, scan)[..., 1] / 65535.0)
        xy = centres(scan, 3)
        at = ideal_px(truth, painting_mm(scan, xy))[:, ::-1].T
        expected = ndimage.map_coordinates(seen[..., 1].astype(float), at, order=3)
        column, row = xy.astype(int).T
        assert np.corrcoef(light[row, column], expected)[0, 1] > 0.99
