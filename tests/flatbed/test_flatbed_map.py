"""The true map: against itself, and against where rendered dots are found."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile

from fixtures.flatbed import layout
from fixtures.flatbed.bed import RAIL_MM, SAG_MM, SAG_REACH_MM, WOBBLE_MM
from fixtures.flatbed.case import Background, Case, Profile
from fixtures.flatbed.curves import Curve, decode
from fixtures.flatbed.layout import Arrangement, Piece
from fixtures.flatbed.paintings import Kind, dot_centres_mm
from fixtures.flatbed.simulate import LATTICE_STEP_PX, painting_of, plan, simulate
from fixtures.flatbed.truth import (
    MM_PER_INCH,
    TrueScan,
    bed_mm,
    load_truth,
    painting_mm,
    painting_mm_from_bed,
    scan_px,
    wave,
)

QUIET = Case(
    "dots",
    Kind.DOTS,
    width_mm=70.0,
    height_mm=90.0,
    dpi=120.0,
    jitter_mm=2.0,
    rotation_deg=1.5,
    gain_fraction=0.0,
    falloff_fraction=0.0,
    noise_scale=0.0,
    relief=0.0,
    profile=Profile.WIDE,
    has_shadow=False,
    background=Background.BLACK,
)
EVERYTHING = replace(
    QUIET, name="dots-bent", wobble_px=3.0, rail_px=0.5, sag_px=4.0, skew_deg=0.06, scale_x=1.0015, scale_y=0.999
)


def turned_four(turn_deg: int) -> Arrangement:
    plain = layout.quarters(70.0, 90.0, overlap_fraction=0.3)
    return layout.turned(plain, (0, 1, 2, 3), turn_deg)


def found_centre(light: np.ndarray, near_px: np.ndarray, radius_px: float) -> np.ndarray:
    """Centre of the dark dot nearest to a place: weighted mean within a circle that follows it; (2,)."""
    at = near_px.copy()
    for _ in range(8):
        x0, y0 = np.floor(at - radius_px).astype(int)
        x1, y1 = np.ceil(at + radius_px).astype(int) + 1
        part = light[y0:y1, x0:x1]
        ys, xs = np.mgrid[y0:y1, x0:x1]
        weight = np.exp(-((xs - at[0]) ** 2 + (ys - at[1]) ** 2) / (2 * (radius_px / 3) ** 2)) * (0.6 - part)
        at = np.array([(weight * xs).sum(), (weight * ys).sum()]) / weight.sum()
    return at


def dot_errors_px(case: Case, folder: Path) -> np.ndarray:
    truth = simulate(case, folder)
    dots = dot_centres_mm(painting_of(case))
    errors = []
    for scan in truth.scans:
        light = decode(Curve.GAMMA22, tifffile.imread(folder / "scans" / scan.file_name)[..., 1] / 65535.0)
        expected = scan_px(scan, dots)
        border = 16
        inside = np.all((expected > border) & (expected < (scan.width_px - border, scan.height_px - border)), axis=1)
        assert inside.sum() >= 6
        errors += [found_centre(light, at, 12.0) - at for at in expected[inside]]
    return np.array(errors)


@pytest.mark.parametrize("seed", [3, 17])
@pytest.mark.parametrize("turn_deg", [0, 90, 180, 270])
def test_dot_lands_where_the_map_says(tmp_path: Path, seed: int, turn_deg: int) -> None:
    errors = dot_errors_px(replace(QUIET, seed=seed, arrangement=turned_four(turn_deg)), tmp_path)
    assert np.abs(errors).max() < 0.02
    assert np.abs(errors.mean(axis=0)).max() < 0.002


@pytest.mark.parametrize("seed", [5, 23])
def test_dot_lands_where_the_map_says_on_a_bent_scan(tmp_path: Path, seed: int) -> None:
    errors = dot_errors_px(replace(EVERYTHING, seed=seed, sag_blur_px=0.0, sag_darkening_fraction=0.0), tmp_path)
    # the dots themselves are stretched unevenly where the sheet sags, which moves their middle a little
    assert np.abs(errors).max() < 0.06
    assert np.percentile(np.abs(errors), 90) < 0.02


def test_a_wrong_map_would_be_noticed(tmp_path: Path) -> None:
    case = replace(QUIET, seed=3)
    truth = simulate(case, tmp_path)
    scan = truth.scans[0]
    light = decode(Curve.GAMMA22, tifffile.imread(tmp_path / "scans" / scan.file_name)[..., 1] / 65535.0)
    dots = dot_centres_mm(painting_of(case))
    expected = scan_px(scan, dots + 0.1 * MM_PER_INCH / case.dpi)
    inside = np.all((expected > 16) & (expected < (scan.width_px - 16, scan.height_px - 16)), axis=1)
    errors = np.array([found_centre(light, at, 12.0) - at for at in expected[inside]])
    assert np.abs(np.hypot(*errors.T) - np.hypot(0.1, 0.1)).max() < 0.03


@pytest.mark.parametrize("seed", range(6))
def test_inverse_map(seed: int) -> None:
    truth = plan(replace(EVERYTHING, seed=seed, arrangement=turned_four(90 * (seed % 4))))
    xy = np.random.default_rng(seed).uniform(0, 300, (500, 2))
    for scan in truth.scans:
        assert np.abs(scan_px(scan, painting_mm(scan, xy)) - xy).max() < 1e-6


def test_whole_turns_are_exact() -> None:
    case = replace(QUIET, rotation_deg=0.0, jitter_mm=0.0)
    for turn_deg, step in ((0, (1, 0)), (90, (0, -1)), (180, (-1, 0)), (270, (0, 1))):
        scan = plan(replace(case, arrangement=turned_four(turn_deg))).scans[0]
        start, beside = painting_mm(scan, np.array([[10.0, 10.0], [11.0, 10.0]]))
        np.testing.assert_allclose((beside - start) * case.dpi / MM_PER_INCH, step, atol=1e-12)
        middle = np.array([[(scan.width_px - 1) / 2, (scan.height_px - 1) / 2]])
        np.testing.assert_allclose(painting_mm(scan, middle)[0], scan.geometry.centre_mm, atol=1e-12)


def _only(scan: TrueScan, **shape: object) -> TrueScan:
    still = replace(scan.geometry, rotation_deg=0.0, scale_x=1.0, scale_y=1.0, skew_deg=0.0, wobble=(), rail=(), sag=())
    return replace(scan, geometry=replace(still, **shape))


@pytest.mark.parametrize("seed", range(8))
def test_wobble_and_rail_stay_within_what_is_stated(seed: int) -> None:
    truth = plan(replace(EVERYTHING, seed=seed))
    wobbles = set()
    for scan in truth.scans:
        shape = scan.geometry
        assert len(shape.wobble) >= 3
        assert all(WOBBLE_MM[0] <= s.period_mm <= WOBBLE_MM[1] for s in shape.wobble)
        assert all(RAIL_MM[0] <= s.period_mm <= RAIL_MM[1] for s in shape.rail)
        wobbles.add(shape.wobble)
        along = np.column_stack([np.full(4000, 50.0), np.linspace(-0.5, scan.height_px - 0.5, 4000)])
        off = bed_mm(_only(scan, wobble=shape.wobble, rail=shape.rail), along) - bed_mm(_only(scan), along)
        off_px = np.abs(off * scan.dpi / MM_PER_INCH).max(axis=0)
        np.testing.assert_allclose(off_px, (0.5, 3.0), rtol=0.01)
    assert len(wobbles) == len(truth.scans)


@pytest.mark.parametrize("seed", range(8))
def test_sag_is_felt_only_near_overhung_sides(seed: int) -> None:
    case = replace(EVERYTHING, seed=seed, width_mm=140.0, height_mm=180.0)
    for scan in plan(case).scans:
        sides = {sag.side for sag in scan.geometry.sag}
        assert len(sides) == 2, "each quarter hangs over on two sides"
        assert sides & {"left", "right"} and sides & {"top", "bottom"}
        rng = np.random.default_rng(seed)
        bed = rng.uniform(0, 1, (4000, 2)) * (scan.width_px, scan.height_px) * MM_PER_INCH / scan.dpi
        shift = painting_mm_from_bed(_only(scan, sag=scan.geometry.sag), bed) - painting_mm_from_bed(_only(scan), bed)
        assert np.abs(shift).max() * scan.dpi / MM_PER_INCH <= 4.0 + 1e-9
        clear = np.ones(len(bed), bool)
        width, height = scan.width_px * MM_PER_INCH / scan.dpi, scan.height_px * MM_PER_INCH / scan.dpi
        for sag in scan.geometry.sag:
            assert SAG_REACH_MM[0] <= sag.reach_mm <= SAG_REACH_MM[1]
            assert all(SAG_MM[0] <= s.period_mm <= SAG_MM[1] for s in sag.sines)
            gap = {"left": bed[:, 0], "right": width - bed[:, 0], "top": bed[:, 1], "bottom": height - bed[:, 1]}
            clear &= gap[sag.side] > sag.reach_mm
        assert np.all(shift[clear] == 0.0) and clear.any()
        assert np.abs(shift[~clear]).max() * scan.dpi / MM_PER_INCH > 0.5


def test_overhung_sides_turn_with_the_piece() -> None:
    plain = layout.quarters(140.0, 140.0)
    sides = {}
    for turn_deg in (0, 90, 180, 270):
        case = replace(EVERYTHING, width_mm=140.0, height_mm=140.0, arrangement=layout.turned(plain, (0,), turn_deg))
        sides[turn_deg] = {sag.side for sag in plan(case).scans[0].geometry.sag}
    assert sides == {
        0: {"right", "bottom"},
        90: {"bottom", "left"},
        180: {"left", "top"},
        270: {"top", "right"},
    }


def test_lattices_and_truth_files_hold_the_map(tmp_path: Path) -> None:
    truth = simulate(replace(EVERYTHING, seed=2), tmp_path)
    assert load_truth(tmp_path) == truth
    for scan in truth.scans:
        lattice = np.load(tmp_path / "maps" / scan.lattice_name)
        xy = np.array([[2.0, 1.0]]) * LATTICE_STEP_PX
        np.testing.assert_array_equal(lattice[1, 2], painting_mm(scan, xy)[0])
    assert wave((), np.zeros(3)) == 0.0


def test_pieces_cover_the_painting_and_its_border() -> None:
    for arrangement in (
        layout.grid(210, 270, 3, 3),
        layout.quarters(210, 270),
        layout.strip(210, 270, 4),
        layout.turned_half(210, 270, 2, 2),
        layout.turned_column(210, 270, 2, 2),
        layout.turned_column(210, 270, 3, 3, turn_deg=270),
    ):
        points = np.random.default_rng(1).uniform(-8, 1, (2000, 2)) * (1, 1) + np.random.default_rng(2).uniform(
            0, 1, (2000, 2)
        ) * (215, 275)
        seen = np.zeros(len(points), int)
        for piece in arrangement.pieces:
            half = np.array((arrangement.bed_width_mm, arrangement.bed_height_mm)) / 2
            half = half[::-1] if piece.turn_deg in (90, 270) else half
            seen += np.all(np.abs(points - (piece.x_mm, piece.y_mm)) <= half + 1e-9, axis=1)
        assert seen.min() >= 1
        assert seen.max() >= 2


def test_neighbours_share_the_stated_overlap() -> None:
    laid = layout.grid(200, 200, 2, 1, overlap_fraction=0.25)
    first, second = laid.pieces
    assert isinstance(first, Piece)
    assert (laid.bed_width_mm - (second.x_mm - first.x_mm)) / laid.bed_width_mm == pytest.approx(0.25)
