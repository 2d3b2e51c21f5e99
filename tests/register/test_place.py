"""Scans cut with known placements come back where they were; what cannot be placed is refused by name."""

import cv2
import numpy as np
import pytest

from stitch.errors import RegisterError
from stitch.imaging.affine import angle_deg, apply, compose, invert, scale_of
from stitch.model.geometry import Size
from stitch.register.agreement import Agreement
from stitch.register.arrange import Keep, arrange, upright_from_nominal
from stitch.register.candidates import Candidate
from stitch.register.conflicts import settle
from stitch.register.pairs import Pair
from stitch.register.place import reduce_all, register
from stitch.register.solve import Points
from tests.held import HeldSource
from tests.register.cutting import CutScans, cut, jittered_grid, texture

SCAN = Size(640, 720)
STEP = (470, 540)


def quarters(seed: int, **options: object) -> CutScans:
    picture = texture(1300, 1450, seed)
    return cut(picture, jittered_grid(2, 2, STEP, seed, **options), SCAN, seed=seed)


@pytest.mark.parametrize("seed", [3, 4])
def test_quarters_with_jitter_and_rotation_are_placed_to_hundredths(seed: int) -> None:
    scans = quarters(seed)
    off = scans.misregistration_px(scans.register())
    assert np.median(off) <= 0.05
    assert np.percentile(off, 99) <= 0.12
    assert off.max() > 1e-5  # noise went in, so a perfect answer would mean the test leaks the truth


def test_same_seed_same_answer() -> None:
    scans = quarters(6)
    first, second = scans.register(seed=1, jobs=1), scans.register(seed=1, jobs=2)
    for name in scans.sources:
        np.testing.assert_array_equal(first.poses[name].matrix(), second.poses[name].matrix())


def test_errors_on_held_out_patches_tell_the_truth() -> None:
    scans = quarters(7)
    found = scans.register()
    off = scans.misregistration_px(found)
    for link in found.links:
        assert link.heldout_count >= 4
        assert not link.is_weak
        assert link.median_px < 0.12
        assert link.median_px > 0.3 * np.median(off)


@pytest.mark.parametrize("seed", [21, 22])
def test_a_narrow_overlap_is_measured_with_smaller_patches(seed: int) -> None:
    """About 75 px in common, as of scans at a low resolution: too little for patches of 48 px."""
    scans = cut(
        texture(1100, 760, seed),
        jittered_grid(2, 1, (455, 0), seed, angle_deg=0.3, jitter=3),
        Size(530, 640),
        seed=seed,
    )
    found = scans.register()
    (link,) = found.links
    assert link.heldout_count >= 4
    assert not link.is_weak
    assert np.percentile(scans.misregistration_px(found), 99) <= 0.2


def test_a_grid_of_nine_does_not_accumulate_error() -> None:
    picture = texture(1500, 1500, 11)
    scans = cut(picture, jittered_grid(3, 3, (430, 430), 11), Size(560, 560), seed=11)
    found = scans.register()
    assert np.percentile(scans.misregistration_px(found), 99) <= 0.15
    far = compose(invert(found.poses["S1"].matrix()), found.poses["S9"].matrix())
    true = compose(invert(scans.painting_from_scan["S1"]), scans.painting_from_scan["S9"])
    assert np.hypot(*(far - true)[:, 2]) < 0.5
    assert abs(angle_deg(far) - angle_deg(true)) < 0.01


def test_names_and_order_carry_no_meaning() -> None:
    scans = quarters(8)
    shuffled = CutScans(dict(reversed(scans.sources.items())), scans.painting_from_scan)
    off = shuffled.misregistration_px(shuffled.register())
    assert np.percentile(off, 99) <= 0.12


def test_a_scan_of_another_painting_is_named() -> None:
    scans = quarters(9)
    other = cut(texture(1300, 1450, 99), jittered_grid(1, 1, STEP, 9), SCAN, seed=9)
    scans.sources["Z"] = other.sources["S1"]
    with pytest.raises(RegisterError, match="Z could not be linked") as caught:
        scans.register()
    assert caught.value.scan_ids == ("Z",)
    assert len(caught.value.links) >= 3


def test_scans_without_overlap_are_refused() -> None:
    picture = texture(1500, 800, 10)
    scans = cut(picture, jittered_grid(2, 1, (700, 0), 10), SCAN, seed=10)
    with pytest.raises(RegisterError, match="No two of these 2 scans"):
        scans.register()


def test_the_frame_of_the_bed_does_not_link_scans() -> None:
    """Dust and frame lie at the same bed place in every scan: a false link at no shift at all."""
    places = jittered_grid(2, 1, (700, 0), 12)
    scans = cut(texture(1500, 800, 12), places, SCAN, seed=12)
    rng = np.random.default_rng(12)
    spots = rng.integers(20, 600, (300, 2))
    for source in scans.sources.values():
        for x, y in spots:
            source.pixels[y : y + 4, x : x + 3] = 5000
    with pytest.raises(RegisterError):
        scans.register()


def test_whole_pixel_tiles_are_recognised_and_jittered_ones_are_not() -> None:
    picture = texture(1300, 1450, 13)
    places = [np.array([[1.0, 0, x], [0, 1.0, y]]) for x, y in ((10, 20), (481, 17), (4, 555), (470, 561))]
    scans = cut(picture, places, SCAN, noise=0.0, seed=13)
    found = scans.register()
    layout = arrange(found, upright_from_nominal(found), Keep(), canvas_ppi=600)
    assert layout.is_whole_pixel
    for name, true in scans.painting_from_scan.items():
        mine = layout.placement(name).matrix[:, 2] - layout.placement("S1").matrix[:, 2]
        np.testing.assert_array_equal(mine, true[:, 2] - places[0][:, 2])
    jittered = quarters(13).register()
    assert not arrange(jittered, upright_from_nominal(jittered), Keep(), canvas_ppi=600).is_whole_pixel


@pytest.mark.parametrize("turn", [90, 180, 270])
def test_a_turn_of_the_master_moves_pixels_only(turn: int) -> None:
    picture = texture(1000, 800, 14)
    places = [np.array([[1.0, 0, x], [0, 1.0, 5.0]]) for x in (3, 302)]
    scans = cut(picture, places, SCAN, noise=0.0, seed=14)
    found = scans.register()
    plain = arrange(found, upright_from_nominal(found), Keep(), canvas_ppi=600)
    turned = arrange(found, upright_from_nominal(found), Keep(), canvas_ppi=600, up_deg=turn)
    assert turned.is_whole_pixel
    w, h = plain.canvas.width_px, plain.canvas.height_px
    assert (turned.canvas.width_px, turned.canvas.height_px) == ((h, w) if turn != 180 else (w, h))
    x, y = plain.placement("S2").matrix @ (7.0, 9.0, 1.0)
    expected = {90: (h - 1 - y, x), 180: (w - 1 - x, h - 1 - y), 270: (y, w - 1 - x)}[turn]
    np.testing.assert_array_equal(turned.placement("S2").matrix @ (7.0, 9.0, 1.0), expected)


def test_a_turned_piece_is_found_and_placed() -> None:
    scans = quarters(15)
    pixels = scans.sources["S4"].pixels
    scans.sources["S4"] = HeldSource(np.ascontiguousarray(pixels[::-1, ::-1]))
    size = scans.sources["S4"].size
    turn = np.array([[-1.0, 0, size.width_px - 1], [0, -1.0, size.height_px - 1]])
    scans.painting_from_scan["S4"] = compose(scans.painting_from_scan["S4"], turn)
    found = scans.register()
    assert np.percentile(scans.misregistration_px(found), 99) <= 0.15
    assert {link.turn_deg for link in found.links if "S4" in (link.scan_a, link.scan_b)} == {180}


def test_a_scan_at_half_the_resolution_is_linked_at_half_the_scale() -> None:
    picture = texture(1500, 1500, 16)
    places = jittered_grid(2, 1, (600, 0), 16)
    scans = cut(picture, places, Size(900, 1100), seed=16)
    coarse = places[1].copy()
    coarse[:, :2] *= 2
    scans.sources["S2"] = cut(cv2.GaussianBlur(picture, (0, 0), 1.0), [coarse], Size(450, 550), seed=4).sources["S1"]
    scans.painting_from_scan["S2"] = coarse
    found = register(scans.sources, reduce_all(scans.sources), {"S1": 600.0, "S2": 300.0})
    ratio = scale_of(found.poses["S2"].matrix()) / scale_of(found.poses["S1"].matrix())
    assert ratio == pytest.approx(2.0, abs=1e-9)
    assert np.percentile(scans.misregistration_px(found), 99) <= 0.3


def test_links_that_contradict_each_other_are_refused_by_name() -> None:
    """A shared pattern pulls one scan to a place where its neighbours do not want it."""
    scans = quarters(17)
    found = scans.register()
    poses = dict(found.poses)
    rng = np.random.default_rng(17)
    points, pairs = [], []
    for link in found.links:
        a, b = link.scan_a, link.scan_b
        where = rng.uniform(100, 500, (40, 2))
        there = apply(compose(invert(poses[b].matrix()), poses[a].matrix()), where)
        if (a, b) == ("S1", "S2"):
            there = there + 60.0
        points.append(Points(a, b, where, there, np.broadcast_to(np.eye(2), (40, 2, 2))))
        pairs.append(believed(a, b))
    with pytest.raises(RegisterError, match="more than one way"):
        settle(poses, points, pairs, "S4", 1.0)


def believed(a: str, b: str) -> Pair:
    none = np.zeros(0, dtype=np.intp)
    return Pair(Candidate(a, b, 0, np.eye(2, 3), none, none, 0.5, 0, 0.2), Agreement(10, 10, 0.9))
