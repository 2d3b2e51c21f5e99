"""What is said of each link and each scan: expected distances, the directions held, the chance of being right."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from stitch.imaging.affine import FloatArray, rigid
from stitch.model.geometry import Size
from stitch.model.layout import Link, Pinned
from stitch.register.apart import HELD_SIGMA_PX, held_distances
from stitch.register.expected import BOUND, FLOOR_PX, MOST_SURE, expected_px, scan_probability, typical_px
from stitch.register.links import describe
from stitch.register.overlap_patches import Maps
from stitch.register.patches import Measured
from stitch.register.place import reduce_all, register
from stitch.register.refine import Refined
from stitch.register.solve import Pose
from tests.register.cutting import cut_finely, jittered_grid, texture

LINK = Link("A", "B", 0, 40, 0.3, 40, 10, 0.02, 0.04, 0.05, False, "")


def test_expected_distance_has_a_floor_and_grows_with_each_of_its_parts() -> None:
    assert expected_px(0.0, 0.0, is_corrected=False) == pytest.approx(FLOOR_PX)
    for corrected in (False, True):
        assert expected_px(0.01, 0.2, is_corrected=corrected) > expected_px(0.01, 0.1, is_corrected=corrected)
    assert expected_px(0.1, 0.02, is_corrected=False) > 0.1
    assert expected_px(0.01, 0.1, is_corrected=True) > 0.1 > expected_px(0.01, 0.1, is_corrected=False)


def test_few_held_out_patches_are_drawn_towards_those_of_all_links() -> None:
    """One patch says little of its own link; a hundred say nearly everything."""
    common = np.full(100, 0.04)
    found = typical_px({("A", "B"): common, ("A", "C"): np.array([0.4]), ("B", "C"): np.full(30, 0.4)})
    assert found["A", "B"] == pytest.approx(0.04, abs=1e-9)
    assert 0.04 < found["A", "C"] < 0.2
    assert found["B", "C"] > 0.3
    assert typical_px({("A", "B"): np.zeros(0), ("B", "C"): common})["A", "B"] == pytest.approx(0.04)
    assert typical_px({("A", "B"): np.zeros(0)}) == {("A", "B"): 0.0}


def test_a_scan_is_where_it_belongs_if_one_of_its_links_is_right() -> None:
    links = [
        replace(LINK, probability=0.9),
        replace(LINK, scan_b="C", probability=0.8),
        replace(LINK, scan_a="B", scan_b="C", probability=None),
    ]
    assert scan_probability("A", links) == pytest.approx(1 - 0.1 * 0.2)
    assert scan_probability("B", links) == pytest.approx(0.9)
    assert scan_probability("D", links) is None
    assert scan_probability("B", [replace(LINK, probability=None)]) is None
    sure = [replace(LINK, probability=0.999)] * 5
    assert scan_probability("A", sure) == MOST_SURE < 1


def test_distances_count_only_in_the_directions_a_patch_could_measure() -> None:
    loose, tight = (2 * HELD_SIGMA_PX) ** 2, (0.1 * HELD_SIGMA_PX) ** 2
    turn = rigid(np.radians(30), 0, 0)[:, :2]
    edge = turn @ np.diag([loose, tight]) @ turn.T
    covariance = np.stack([edge, np.eye(2) * tight, np.eye(2) * loose])
    off = np.stack([turn @ (3.0, 0.2), (0.3, 0.4), (5.0, 5.0)])
    np.testing.assert_allclose(held_distances(off, covariance), [0.2, 0.5], atol=1e-9)


SIZES = {"A": Size(400, 400), "B": Size(400, 400)}
POSES = {
    "A": Pose.of_matrix(rigid(0.0, 0, 0), SIZES["A"], 1.0),
    "B": Pose.of_matrix(rigid(0.0, 300, 0), SIZES["B"], 1.0),
}


def told(covariances: FloatArray, held_px: FloatArray, *, rms_sigma_px: float = 0.01) -> Link:
    """What is said of one overlap whose patches have these covariances."""
    count = len(covariances)
    points = np.random.default_rng(0).uniform(310, 390, (count, 2))
    nothing = np.zeros(count, bool)
    measured = Measured("A", "B", points, points - [300, 0], covariances, *[nothing] * 3, count, count, 0)
    key = ("A", "B")
    refined = Refined(
        Maps(POSES, {}, SIZES),
        {"A": 0.0, "B": 0.01},
        (measured,),
        frozenset({key}),
        {key: held_px},
        {key: 0.01},
        {key: rms_sigma_px},
    )
    (link,) = describe(refined, SIZES, {})
    return link


@pytest.mark.parametrize("angle_deg", [0, 35, 90])
def test_an_overlap_that_shows_only_a_straight_edge_holds_in_one_direction(angle_deg: int) -> None:
    turn = rigid(np.radians(angle_deg), 0, 0)[:, :2]
    edge = turn @ np.diag([25.0, 0.03**2]) @ turn.T
    held = np.full(6, 0.03)
    assert told(np.stack([edge] * 20), held).pinned is Pinned.ONE_DIRECTION
    other = turn @ np.diag([0.03**2, 25.0]) @ turn.T
    assert told(np.stack([edge] * 19 + [other]), held).pinned is Pinned.FULLY
    assert told(np.stack([np.eye(2) * 0.03**2] * 20), held).pinned is Pinned.FULLY
    faint = turn @ np.diag([0.4**2, 0.03**2]) @ turn.T  # thirty of them together are good to 0.07 px along the edge
    assert told(np.stack([edge] * 10 + [faint] * 30), held).pinned is Pinned.FULLY


def test_links_say_how_far_apart_their_scans_are_expected_to_lie() -> None:
    good = np.stack([np.eye(2) * 0.03**2] * 20)
    sure, unsure = told(good, np.full(6, 0.03)), told(good, np.full(6, 0.03), rms_sigma_px=0.2)
    assert sure.expected_px is not None and unsure.expected_px is not None
    assert 0.007 < sure.expected_px < 0.03
    assert unsure.expected_px > 0.2
    assert sure.bound_px == pytest.approx(BOUND * sure.expected_px)
    nothing = told(np.zeros((0, 2, 2)), np.zeros(0))
    assert nothing.expected_px is None and nothing.bound_px is None


def link_and_truth(seed: int) -> tuple[float, float] | None:
    """Expected and true rms of two scans with more or less noise and overlap; None where the link is called weak."""
    rng = np.random.default_rng(seed)
    noise = float(np.exp(rng.uniform(np.log(0.003), np.log(0.08))))
    places = jittered_grid(2, 1, (int(rng.integers(170, 230)), 0), seed, jitter=6)
    scans = cut_finely(texture(560, 420, seed, coarse=0.04), places, Size(300, 360), noise=noise, seed=seed)
    found = register(scans.sources, reduce_all(scans.sources), dict.fromkeys(scans.sources, 600.0))
    (link,) = found.links
    if link.is_weak or link.expected_px is None:
        return None
    return link.expected_px, float(np.sqrt((scans.off_px(found.placed()) ** 2).mean()))


@pytest.mark.slow
def test_expected_distances_are_true_in_every_third_and_bounds_hold() -> None:
    """Sorted by what was expected: true ÷ expected rms is 0.67–1.5 in every third, the bound holds for 90–99 %."""
    rows = np.array([row for seed in range(200, 260) if (row := link_and_truth(seed)) is not None])
    assert len(rows) > 40
    rows = rows[np.argsort(rows[:, 0])]
    for third in np.array_split(rows, 3):
        expected, true = np.sqrt((third**2).mean(axis=0))
        assert 0.67 <= true / expected <= 1.5
    assert 0.9 <= (rows[:, 1] <= BOUND * rows[:, 0]).mean() <= 1.0
