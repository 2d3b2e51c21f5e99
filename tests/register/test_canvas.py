"""The small composite, holes, and the canvas laid around placed scans."""

import numpy as np
import pytest

from stitch.errors import RegisterError
from stitch.imaging.affine import apply
from stitch.model.geometry import Size
from stitch.register.arrange import Keep, arrange, keep_around, upright_from_nominal
from stitch.register.composite import Composite, composite
from stitch.register.gaps import find_gaps, refuse_gaps
from stitch.register.place import Registration, reduce_all
from stitch.register.solve import Pose
from tests.held import HeldSource
from tests.register.cutting import CutScans, cut, jittered_grid, texture


def grid_of_nine(seed: int) -> tuple[CutScans, Registration]:
    """Nine scans put exactly where they were cut: no matching, so that only the canvas is tested."""
    scans = cut(texture(1100, 1100, seed), jittered_grid(3, 3, (310, 310), seed), Size(420, 420), seed=seed)
    poses = {n: Pose.of_matrix(m, scans.sources[n].size, 1.0) for n, m in scans.painting_from_scan.items()}
    sizes = {n: s.size for n, s in scans.sources.items()}
    return scans, Registration(600.0, "S5", poses, sizes, dict.fromkeys(poses, 0.01), (), ())


def picture_of(scans: CutScans, registration: Registration) -> Composite:
    return composite(registration, reduce_all(scans.sources), upright_from_nominal(registration))


def without(name: str, scans: CutScans, found: Registration) -> tuple[CutScans, Registration]:
    sources = {n: s for n, s in scans.sources.items() if n != name}
    poses = {n: p for n, p in found.poses.items() if n != name}
    sizes = {n: s for n, s in found.sizes.items() if n != name}
    anchor = next(iter(poses))
    left = Registration(600.0, anchor, poses, sizes, dict.fromkeys(poses, 0.01), (), ())
    return CutScans(sources, scans.painting_from_scan), left


def test_composite_shows_the_painting_where_it_is() -> None:
    scans, found = grid_of_nine(51)
    picture = picture_of(scans, found)
    truth = texture(1100, 1100, 51)
    upright = upright_from_nominal(found)
    errors = []
    for x, y in np.random.default_rng(0).uniform(150, 900, (200, 2)):
        u, v = apply(picture.picture_from_upright, apply(upright, np.array([x, y]))).round().astype(int)
        back = apply(np.linalg.inv(np.vstack([upright, [0, 0, 1]]))[:2], apply(picture.upright_from_picture, (u, v)))
        i, j = back.round().astype(int)
        errors.append(np.abs(picture.rgb[v, u] - truth[j - 3 : j + 4, i - 3 : i + 4].mean(axis=(0, 1))).mean())
    assert np.median(errors) < 0.05


@pytest.mark.parametrize("seed", [52, 53])
def test_nine_scans_have_no_hole_and_eight_have(seed: int) -> None:
    scans, found = grid_of_nine(seed)
    assert find_gaps(picture_of(scans, found), None) == ()
    (gap,) = find_gaps(picture_of(*without("S5", scans, found)), None)
    side_mm = (620 - 420) * 25.4 / 600
    assert gap.place == "middle"
    assert gap.radius_mm == pytest.approx(side_mm / 2, abs=1.0)
    assert (gap.width_mm, gap.height_mm) == pytest.approx((side_mm, side_mm), abs=1.5)
    (corner,) = find_gaps(picture_of(*without("S9", scans, found)), None)
    assert corner.place == "bottom right"
    assert {"S2", "S4", "S6", "S8"} <= set(gap.beside)
    assert {"S6", "S8"} <= set(corner.beside) and not {"S1", "S4", "S7"} & set(corner.beside)
    with pytest.raises(RegisterError, match=r"beside .*S6.*S8") as stop:
        refuse_gaps((corner,))
    assert stop.value.scan_ids == corner.beside


def test_every_hole_is_told_with_its_place_and_size() -> None:
    scans, found = grid_of_nine(58)
    for name in ("S1", "S6"):
        scans, found = without(name, scans, found)
    gaps = find_gaps(picture_of(scans, found), None)
    assert {gap.place for gap in gaps} == {"top left", "right"}
    with pytest.raises(RegisterError, match=r"2 holes in the painting.*in the top left, about \d+ × \d+ mm.*right"):
        refuse_gaps(gaps)


def test_a_narrow_uncovered_strip_inside_the_outline_is_a_hole() -> None:
    scans, found = grid_of_nine(54)
    picture = picture_of(scans, found)
    height, width = picture.covered.shape
    outline = np.array([[5.0, 5], [width - 6, 5], [width - 6, height - 6], [5, height - 6]])
    assert all(gap.radius_mm < 3 for gap in find_gaps(picture, outline))
    picture.covered[height // 2 : height // 2 + 16] = False
    gaps = find_gaps(picture, outline)
    assert gaps[0].width_mm == pytest.approx((width - 11) / picture.px_per_mm, abs=1.0)
    assert gaps[0].height_mm == pytest.approx(16 / picture.px_per_mm, abs=1.0)
    with pytest.raises(RegisterError, match=r"hole.*--allow-gaps"):
        refuse_gaps(gaps)


def test_keeping_a_rectangle_crops_to_it_and_a_border() -> None:
    _, found = grid_of_nine(55)
    upright = upright_from_nominal(found)
    whole = arrange(found, upright, Keep(), canvas_ppi=600)
    quad = np.array([[300.0, 320], [700, 320], [700, 760], [300, 760]])
    part = arrange(found, upright, keep_around(quad, (True, True, True, True), 600), canvas_ppi=600)
    border = 2 * 5 / 25.4 * 600
    assert part.canvas.width_px == pytest.approx(400 + border, abs=2)
    assert part.canvas.height_px == pytest.approx(440 + border, abs=2)
    left_only = arrange(found, upright, keep_around(quad, (True, False, False, False), 600), canvas_ppi=600)
    assert left_only.canvas.height_px == whole.canvas.height_px
    assert left_only.canvas.width_px < whole.canvas.width_px


def test_the_resolution_of_the_canvas_scales_the_placements() -> None:
    _, found = grid_of_nine(56)
    upright = upright_from_nominal(found)
    whole, half = (arrange(found, upright, Keep(), canvas_ppi=ppi) for ppi in (600, 300))
    assert half.canvas.width_px == pytest.approx(whole.canvas.width_px / 2, abs=2)
    for placement in half.placements:
        np.testing.assert_allclose(placement.matrix[:, :2], whole.placement(placement.scan_id).matrix[:, :2] / 2)


def test_most_scans_decide_which_way_is_up() -> None:
    scans, found = grid_of_nine(57)
    poses = dict(found.poses)
    pose = poses["S1"]
    poses["S1"] = Pose(pose.angle_rad + np.pi, pose.x_px, pose.y_px, pose.scale, pose.centre_px)
    turned = Registration(600.0, "S1", poses, found.sizes, found.sigma_px, (), ())
    layout = arrange(turned, upright_from_nominal(turned), Keep(), canvas_ppi=600)
    angles = [np.degrees(np.arctan2(p.matrix[1, 0], p.matrix[0, 0])) for p in layout.placements]
    assert sum(abs(angle) < 2 for angle in angles) == 8
    assert isinstance(scans.sources["S1"], HeldSource)
