"""Cases of a real desk: what they show lies where the truth says, and they are what their names say."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile

from fixtures.flatbed.case import Case, Profile
from fixtures.flatbed.cases import CASES, named
from fixtures.flatbed.curves import Curve, decode
from fixtures.flatbed.layout import quarters
from fixtures.flatbed.noise import Grid
from fixtures.flatbed.paintings import Kind, dot_centres_mm
from fixtures.flatbed.simulate import painting_of, plan, simulate
from fixtures.flatbed.truth import painting_mm, scan_px

DESK = [name for name in CASES if name.startswith("desk-")]


def visible_count(case: Case) -> np.ndarray:
    """How many scans show each point of a 4 mm grid over the painting."""
    xs, ys = np.meshgrid(np.arange(1.0, case.width_mm, 4.0), np.arange(1.0, case.height_mm, 4.0))
    points = np.column_stack([xs.ravel(), ys.ravel()])
    count = np.zeros(len(points), int)
    for scan in plan(case).scans:
        if not scan.is_foreign:
            xy = scan_px(scan, points)
            count += np.all((xy >= 0) & (xy <= (scan.width_px - 1, scan.height_px - 1)), axis=1)
    return count


@pytest.mark.parametrize("seed", [2, 31])
@pytest.mark.parametrize("name", [name for name in DESK if CASES[name].expected != "refused"])
def test_a_set_to_be_solved_shows_the_whole_painting(name: str, seed: int) -> None:
    assert visible_count(named(name, seed)).min() >= 1


@pytest.mark.parametrize(
    "name", [name for name in DESK if "missing" in name or name.endswith(("two-groups", "no-overlap"))]
)
def test_an_incomplete_set_leaves_a_hole(name: str) -> None:
    assert (visible_count(named(name, 2)) == 0).mean() > 0.02


@pytest.mark.parametrize("seed", [1, 5, 9])
@pytest.mark.parametrize("name", ["desk-white-middle", "desk-white-middle-smooth"])
def test_the_middle_piece_sees_nothing_but_blank_paper(name: str, seed: int) -> None:
    case = named(name, seed)
    middle = case.laid.pieces[4]
    scan = next(
        s for s in plan(case).scans if np.hypot(*np.subtract(s.geometry.centre_mm, (middle.x_mm, middle.y_mm))) < 6
    )
    border = [(x, y) for x in (0, scan.width_px - 1) for y in (0, scan.height_px - 1)]
    reach = np.abs(painting_mm(scan, np.array(border)) - (case.width_mm / 2, case.height_mm / 2)).max(axis=0)
    assert np.all(reach < np.array(case.middle_mm) / 2)
    bed = np.array([case.laid.bed_width_mm, case.laid.bed_height_mm])
    ppi = 50.0
    x0, y0 = np.round((np.array([case.width_mm, case.height_mm]) - bed) / 2 * ppi / 25.4).astype(int)
    w, h = np.round(bed * ppi / 25.4).astype(int)
    albedo, _ = painting_of(case).window(Grid(ppi, int(x0), int(y0), int(w), int(h)))
    assert albedo.std() / albedo.mean() < 0.04, "paper and nothing else"
    assert albedo[..., 1].min() > 0.75


def test_a_mirrored_painting_mirrors_its_colours_and_not_its_surface() -> None:
    case = replace(named("desk-mirror-2x2", 3), width_mm=50.0, height_mm=40.0)
    albedo, slopes = painting_of(case).window(Grid(100.0, 0, 0, 197, 157))
    np.testing.assert_allclose(albedo, albedo[:, ::-1], atol=1e-6)
    assert slopes is not None
    shine = slopes[..., 1] - slopes[..., 1].mean()
    assert abs((shine * shine[:, ::-1]).mean() / (shine**2).mean()) < 0.2
    part, _ = painting_of(case).window(Grid(100.0, 120, 30, 60, 50))
    np.testing.assert_allclose(part, albedo[30:80, 120:180], atol=2e-3)


def test_a_drawing_has_no_colour_and_follows_the_tooth() -> None:
    case = replace(named("desk-pencil-half-180", 4), margin_mm=4.0)
    albedo, _ = painting_of(case).window(Grid(150.0, 300, 400, 500, 400))
    ratios = albedo[..., 0] / albedo[..., 2]
    assert ratios.std() < 1e-4
    assert 0.1 < (albedo[..., 1] < 0.75).mean() < 0.9
    assert albedo[..., 1].min() < 0.45


@pytest.mark.parametrize("seed", [3, 17])
def test_a_scan_of_half_the_resolution_lies_where_the_map_says(tmp_path: Path, seed: int) -> None:
    plain = quarters(70.0, 90.0, overlap_fraction=0.3)
    pieces = (replace(plain.pieces[0], dpi_fraction=0.5), replace(plain.pieces[3], blur_px=1.0))
    case = Case(
        "dots",
        Kind.DOTS,
        seed,
        70.0,
        90.0,
        240.0,
        replace(plain, pieces=pieces),
        relief=0.0,
        noise_scale=0.0,
        gain_fraction=0.0,
        falloff_fraction=0.0,
        has_shadow=False,
        profile=Profile.WIDE,
    )
    truth = simulate(replace(case, are_names_shuffled=False), tmp_path)
    coarse, soft = truth.scans
    assert (coarse.dpi, soft.dpi) == (120.0, 240.0)
    assert abs(coarse.width_px * 2 - soft.width_px) <= 1
    assert soft.blur_px == 1.0
    with tifffile.TiffFile(tmp_path / "scans" / coarse.file_name) as tiff:
        assert tiff.pages[0].tags["XResolution"].value == (120, 1)
    dots = dot_centres_mm(painting_of(case))
    for scan in truth.scans:
        light = decode(Curve.GAMMA22, tifffile.imread(tmp_path / "scans" / scan.file_name)[..., 1] / 65535.0)
        expected = scan_px(scan, dots)
        inside = np.all((expected > 16) & (expected < (scan.width_px - 16, scan.height_px - 16)), axis=1)
        assert inside.sum() >= 6
        errors = np.array([centre_of_dot(light, at) - at for at in expected[inside]])
        assert np.abs(errors).max() < 0.02


def centre_of_dot(light: np.ndarray, near_px: np.ndarray, radius_px: float = 10.0) -> np.ndarray:
    """Centre of the dark dot at a place, by a weight that follows it."""
    at = near_px.copy()
    for _ in range(8):
        (x0, y0), (x1, y1) = np.floor(at - radius_px).astype(int), np.ceil(at + radius_px).astype(int) + 1
        ys, xs = np.mgrid[y0:y1, x0:x1]
        near = np.exp(-((xs - at[0]) ** 2 + (ys - at[1]) ** 2) / (2 * (radius_px / 3) ** 2))
        weight = near * (0.6 - light[y0:y1, x0:x1])
        at = np.array([(weight * xs).sum(), (weight * ys).sum()]) / weight.sum()
    return at
