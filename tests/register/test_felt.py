"""Small turns show a bed's shape only where several precise overlaps say so."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from stitch.imaging.affine import apply
from stitch.model.bed import Bed, BedSource
from stitch.register.felt import feel
from stitch.register.solve import Points, Pose, solve
from tests.register.posed import HALF, points_between, started, true_poses


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_small_turns_let_precise_overlaps_feel_the_beds_shape_without_claiming_it(seed: int) -> None:
    """A half turn shows nothing, a degree of it a little: 0.06 px at the far ends of an overlap, seen by 0.02 px."""
    true = Bed(anisotropy=0.003, skew_deg=0.1)
    poses = true_poses(HALF, true, seed)
    points, exact = (points_between(poses, seed, noise_px=noise) for noise in (0.02, 0.0))
    left = []
    for solver in (solve, feel):
        found = solver(started(poses, Bed(), seed), points, "S0")
        maps = {name: pose.matrix() for name, pose in found.poses.items()}
        off = [apply(maps[p.scan_a], p.points_a) - apply(maps[p.scan_b], p.points_b) for p in exact]
        left.append(float(np.percentile(np.hypot(*np.concatenate(off).T), 95)))
        assert found.poses["S0"].bed.source is BedSource.UNKNOWN
    assert left[1] < 0.6 * left[0]
    assert found.poses["S0"].bed.anisotropy == pytest.approx(0.003, abs=0.001)


@pytest.mark.parametrize("seed", [5, 6, 7])
def test_a_square_scanner_is_not_felt_to_be_anything_else(seed: int) -> None:
    poses = true_poses(HALF, Bed(), seed)
    points = points_between(poses, seed, noise_px=0.02)
    found = feel(started(poses, Bed(), seed), points, "S0")
    assert {pose.bed for pose in found.poses.values()} == {Bed()}


def test_pieces_cut_from_one_picture_are_solved_although_nothing_shows_the_bed() -> None:
    """No turn at all and no noise at all: the bed's figures cannot be found, and nothing else suffers."""
    straight = {name: replace(pose, angle_rad=0.0) for name, pose in true_poses((0, 0, 0, 0), Bed(), 1).items()}
    exact = [
        replace(p, covariance_px2=np.tile(np.eye(2) * 4e-4, (len(p.points_a), 1, 1)))
        for p in points_between(straight, 1, noise_px=0.0)
    ]
    found = feel(straight, exact, "S0")
    assert found.poses["S0"].bed.source is BedSource.UNKNOWN
    for name, pose in straight.items():
        np.testing.assert_allclose(found.poses[name].matrix(), pose.matrix(), atol=1e-6)


def coarse(points: Points, seed: int) -> Points:
    """Matches of small copies in place of patches: many, together, far better than they say."""
    rng = np.random.default_rng(seed)
    pick = rng.integers(0, len(points.points_a), 300)
    there = points.points_b[pick] + rng.normal(0, 0.05, (300, 2))
    covariance = np.tile(np.eye(2) * 0.49, (300, 1, 1))
    return Points(points.scan_a, points.scan_b, points.points_a[pick], there, covariance, is_coarse=True)


def turned_by(poses: dict[str, Pose], degrees: tuple[float, ...]) -> dict[str, Pose]:
    """The same poses, each with a small turn of its own."""
    both = zip(poses.items(), degrees, strict=True)
    return {name: replace(pose, angle_rad=float(np.radians(turn))) for (name, pose), turn in both}


@pytest.mark.parametrize("seed", range(20, 30))
def test_matches_of_small_copies_do_not_make_patches_look_surer(seed: int) -> None:
    poses = true_poses(HALF, Bed(), seed)
    exact, points = (points_between(poses, seed, noise_px=noise) for noise in (0.0, 0.1))
    mixed = [
        coarse(e, seed) if {p.scan_a, p.scan_b} in ({"S0", "S3"}, {"S1", "S2"}) else p
        for e, p in zip(exact, points, strict=True)
    ]
    found = feel(started(poses, Bed(), seed), mixed, "S0")
    assert {pose.bed for pose in found.poses.values()} == {Bed()}
    fine = [p for p in mixed if not p.is_coarse]
    assert found.spread == pytest.approx(1.0, abs=0.15)
    assert found.sigma_px["S3"] > 0.6 * solve(started(poses, Bed(), seed), fine, "S0").sigma_px["S3"]


@pytest.mark.parametrize("seed", [31, 32, 33])
def test_one_stretched_overlap_is_no_shape_of_the_bed(seed: int) -> None:
    """Its patches agree with each other to 0.02 px, and are off by 0.04 px together at either end."""
    poses = turned_by(true_poses((0, 0, 0, 0), Bed(), seed), (0.0, 0.05, -0.05, 0.6))
    points = points_between(poses, seed, noise_px=0.02)
    assert {pose.bed for pose in feel(started(poses, Bed(), seed), points, "S0").poses.values()} == {Bed()}
    one = next(p for p in points if (p.scan_a, p.scan_b) == ("S2", "S3"))
    one.points_b[:, 1] *= 1 + 1e-4
    free = solve(started(poses, Bed(), seed), points, "S0", (0, 1)).poses["S0"].bed
    assert abs(free.skew_deg) > 4 * free.sigma_skew_deg  # by its own standard error alone it would be plain
    assert {pose.bed for pose in feel(started(poses, Bed(), seed), points, "S0").poses.values()} == {Bed()}


def test_errors_that_patches_of_an_overlap_have_in_common_are_seldom_taken_for_a_shape() -> None:
    """Every overlap is shifted by 0.02 px and strained by 5e-5 as a whole: ten times what its patches scatter by."""
    felt = 0
    for seed in range(50, 90):
        rng = np.random.default_rng(seed)
        poses = true_poses(HALF, Bed(), seed)
        points = points_between(poses, seed, noise_px=0.02)
        for p in points:
            arms = p.points_b - p.points_b.mean(axis=0)
            p.points_b[:] += arms @ rng.normal(0, 5e-5, (2, 2)) + rng.normal(0, 0.02, 2)
        felt += feel(started(poses, Bed(), seed), points, "S0").poses["S0"].bed != Bed()
    assert felt <= 2


def test_two_scans_alone_show_no_shape() -> None:
    poses = dict(list(true_poses(HALF, Bed(anisotropy=0.004, skew_deg=0.2), 41).items())[:2])
    points = points_between(poses, 41, noise_px=0.02)
    assert {pose.bed for pose in feel(started(poses, Bed(), 41), points, "S0").poses.values()} == {Bed()}


def test_a_figure_that_is_not_plain_stays_at_nothing_beside_one_that_is() -> None:
    """Narrow overlaps show the skew as a stretch; the other figure only as a shear, and loosely."""
    true = Bed(anisotropy=0.0, skew_deg=0.15)
    poses = true_poses(HALF, true, 42)
    bed = feel(started(poses, Bed(), 42), points_between(poses, 42, noise_px=0.02), "S0").poses["S0"].bed
    assert bed.source is BedSource.UNKNOWN and (bed.anisotropy, bed.sigma_anisotropy) == (0.0, 0.0)
    assert bed.sigma_skew_deg > 0 and abs(bed.skew_deg - 0.15) < 4 * bed.sigma_skew_deg
