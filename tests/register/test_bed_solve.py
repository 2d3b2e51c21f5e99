"""The bed's shape as the solve finds it: seen by quarter turns only, left alone where it is known or cannot show."""

from __future__ import annotations

import numpy as np
import pytest

from stitch.imaging.affine import apply, invert
from stitch.model.bed import Bed, BedSource
from stitch.register.solve import Points, Pose, Solution, solve
from tests.register.posed import HALF, QUARTER, points_between, started, true_poses


def solved(turns: tuple[int, ...], true: Bed, given: Bed, seed: int) -> tuple[dict[str, Pose], Solution, list[Points]]:
    poses = true_poses(turns, true, seed)
    points = points_between(poses, seed)
    return poses, solve(started(poses, given, seed), points, "S0"), points


@pytest.mark.parametrize("anisotropy,skew_deg", [(0.004, 0.0), (-0.002, 0.05), (0.0, -0.08), (0.0015, 0.03)])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_pieces_a_quarter_turn_apart_show_the_beds_shape(anisotropy: float, skew_deg: float, seed: int) -> None:
    _, found, _ = solved(QUARTER, Bed(anisotropy=anisotropy, skew_deg=skew_deg), Bed(), seed)
    bed = found.poses["S0"].bed
    assert bed.source is BedSource.TURNED_PIECES
    assert 0 < bed.sigma_anisotropy < 1e-4 and 0 < bed.sigma_skew_deg < 6e-3
    assert abs(bed.anisotropy - anisotropy) < 4 * bed.sigma_anisotropy
    assert abs(bed.skew_deg - skew_deg) < 4 * bed.sigma_skew_deg
    assert {pose.bed for pose in found.poses.values()} == {bed}


@pytest.mark.parametrize("turns", [HALF, (0, 0, 0, 0)])
def test_without_quarter_turns_the_beds_shape_stays_unknown(turns: tuple[int, ...]) -> None:
    true = Bed(anisotropy=0.004, skew_deg=0.05)
    _, found, points = solved(turns, true, Bed(), 4)
    assert {pose.bed for pose in found.poses.values()} == {Bed()}
    assert len(found.covariance) == 9
    for pair in points:  # the bed's shape is common to all: hidden, and no harm to how the scans fit each other
        a, b = (found.poses[n].matrix() for n in (pair.scan_a, pair.scan_b))
        off = apply(a, pair.points_a) - apply(b, pair.points_b)
        assert np.hypot(*off.mean(axis=0)) < 0.15


@pytest.mark.parametrize("source", [BedSource.FILE, BedSource.TAPE])
def test_a_known_bed_is_kept_to_the_letter(source: BedSource) -> None:
    given = Bed(source, 0.001, 0.02, sigma_anisotropy=1e-5, sigma_skew_deg=1e-3)
    _, found, _ = solved(QUARTER, Bed(anisotropy=0.003), given, 5)
    assert {pose.bed for pose in found.poses.values()} == {given}


def test_a_square_scanner_is_found_square_within_its_sigma() -> None:
    """Noise went in, so exactly nought would mean that nothing was solved."""
    errors = [solved(QUARTER, Bed(), Bed(), seed)[1].poses["S0"].bed for seed in range(10, 16)]
    assert max(abs(b.anisotropy) / b.sigma_anisotropy for b in errors) < 4
    assert min(abs(b.anisotropy) for b in errors) > 0


def test_stated_sigmas_of_the_bed_are_those_of_many_runs() -> None:
    true = Bed(anisotropy=0.002, skew_deg=-0.03)
    beds = [solved(QUARTER, true, Bed(), seed)[1].poses["S0"].bed for seed in range(40)]
    for error, sigma in (
        ([b.anisotropy - 0.002 for b in beds], [b.sigma_anisotropy for b in beds]),
        ([b.skew_deg + 0.03 for b in beds], [b.sigma_skew_deg for b in beds]),
    ):
        assert 0.7 < np.sqrt(np.mean(np.square(error))) / np.mean(sigma) < 1.4  # 40 runs: ±11 % by chance


def spread_of_links(turns: tuple[int, ...], bed: Bed, seeds: range) -> tuple[float, float]:
    """Real and stated rms distance between where two scans put the points of their overlap, over many runs."""
    real, stated = [], []
    for seed in seeds:
        true, found, points = solved(turns, bed, Bed(), seed)
        for pair in points:
            where = pair.points_a
            there = apply(invert(true[pair.scan_b].matrix()), apply(true[pair.scan_a].matrix(), where))
            a, b = (found.poses[n].matrix() for n in (pair.scan_a, pair.scan_b))
            real.append(((apply(a, where) - apply(b, there)) ** 2).sum(axis=1).mean())
            stated.append(found.rms_sigma_px(pair.scan_a, pair.scan_b, where) ** 2)
    return float(np.sqrt(np.mean(real))), float(np.sqrt(np.mean(stated)))


@pytest.mark.parametrize("turns", [QUARTER, HALF])
def test_what_is_said_of_links_covers_what_they_are_off(turns: tuple[int, ...]) -> None:
    real, stated = spread_of_links(
        turns, Bed(anisotropy=0.002, skew_deg=0.03) if turns == QUARTER else Bed(), range(30)
    )
    assert 0.75 < real / stated < 1.3


def test_joint_covariance_holds_the_beds_share() -> None:
    _, found, points = solved(QUARTER, Bed(anisotropy=0.002), Bed(), 7)
    assert found.covariance.shape == (11, 11)
    pair = next(p for p in points if (p.scan_a, p.scan_b) == ("S0", "S1"))
    fixed = Solution(found.poses, found.sigma_px, found.column, found.covariance[:9, :9])
    whole, without = (s.spread_px2("S0", "S1", pair.points_a) for s in (found, fixed))
    assert np.abs(whole - without).max() > 0.05 * np.abs(without).max()
    assert np.linalg.eigvalsh(whole).min() > 0
    worst = found.joint_sigma_px("S0", "S1", pair.points_a)
    assert worst == pytest.approx(np.sqrt(np.linalg.eigvalsh(whole).max()), rel=1e-9)
    rms = found.rms_sigma_px("S0", "S1", pair.points_a)
    assert rms == pytest.approx(np.sqrt(np.trace(whole, axis1=1, axis2=2).mean()), rel=1e-9)
    assert found.rms_sigma_px("S0", "S1", np.zeros((0, 2))) == 0.0


def test_wrong_points_do_not_bend_the_bed() -> None:
    """One point in ten shows another place, 3 to 30 px off."""
    true = Bed(anisotropy=0.003)
    poses = true_poses(QUARTER, true, 8)
    points = points_between(poses, 8)
    rng = np.random.default_rng(8)
    for pair in points:
        wrong = rng.random(len(pair.points_b)) < 0.1
        pair.points_b[wrong] += rng.uniform(3, 30, (wrong.sum(), 2))
    bed = solve(started(poses, Bed(), 8), points, "S0").poses["S0"].bed
    assert abs(bed.anisotropy - 0.003) < 4 * bed.sigma_anisotropy < 3e-4


def test_sigmas_come_from_the_residuals_not_from_what_patches_said_of_themselves() -> None:
    """Points that claim to be four times better than they are."""
    poses = true_poses(QUARTER, Bed(), 9)
    points = points_between(poses, 9)
    boasting = [Points(p.scan_a, p.scan_b, p.points_a, p.points_b, p.covariance_px2 / 16) for p in points]
    honest, found = (solve(started(poses, Bed(), 9), p, "S0") for p in (points, boasting))
    for name in ("S1", "S2", "S3"):
        assert found.sigma_px[name] == pytest.approx(honest.sigma_px[name], rel=0.1)
