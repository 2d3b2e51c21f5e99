"""Ties made by hand link what nothing else can, say what they are worth, and pairs told apart stay apart."""

from __future__ import annotations

from itertools import combinations

import cv2
import numpy as np
import pytest

from stitch.errors import RegisterError
from stitch.imaging.affine import FloatArray, apply, invert, rigid
from stitch.model.geometry import Size
from stitch.model.ties import SureTie, Tie
from tests.register.cutting import CutScans, cut, jittered_grid, texture

SCAN = Size(560, 640)
CLICK_MM = 0.3
PPI = 600.0


def with_band(seed: int, contrast: float) -> CutScans:
    """Two scans side by side that share a band of plain paper."""
    picture = texture(1010, 720, seed)
    band = picture[:, 420:590].copy()
    picture[:, 420:590] = 0.7 + contrast * (band - 0.5)
    picture = cv2.GaussianBlur(picture, (0, 0), 0.8)
    return cut(picture, jittered_grid(2, 1, (400, 0), seed, angle_deg=0.6, jitter=6), SCAN, seed=seed, noise=0.004)


def ties(scans: CutScans, places: list[tuple[float, float]], seed: int, off_px: float, **more: object) -> list[SureTie]:
    """Clicks on painting px, each off by a normal error in both directions."""
    rng = np.random.default_rng(seed)
    a, b = ("S1", "S2")
    made = []
    for place in places:
        at = [apply(invert(scans.painting_from_scan[name]), np.array(place)) for name in (a, b)]
        at[1] = at[1] + off_px * rng.standard_normal(2)
        made.append(SureTie(Tie(a, tuple(at[0]), b, tuple(at[1])), CLICK_MM, **more))
    return made


def off_px(scans: CutScans, registration: object) -> FloatArray:
    return scans.misregistration_px(registration)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_plain_paper_is_linked_by_ties_and_the_expected_error_is_honest(seed: int) -> None:
    scans = with_band(seed, 0.0)
    with pytest.raises(RegisterError):
        scans.register()
    spots = [(500.0, 80.0), (480.0, 360.0), (520.0, 640.0)]
    found = scans.register(ties=ties(scans, spots, seed, CLICK_MM * PPI / 25.4))
    (link,) = found.links
    rms = float(np.sqrt((off_px(scans, found) ** 2).mean()))
    assert (link.tie_count, link.match_count, link.probability) == (3, 0, None)
    assert link.is_weak and "3 ties made by hand" in link.reason
    assert rms < link.bound_px
    assert 3 < link.expected_px < 15
    assert [finding.code for finding in found.findings] == ["weak-link"]


@pytest.mark.parametrize("seed", [4, 5])
def test_ties_decide_where_a_pattern_repeats_and_patches_make_the_link_exact(seed: int) -> None:
    period = texture(300, 300, seed)[70:230, 70:230]
    scans = cut(np.tile(period, (5, 7, 1)), jittered_grid(2, 1, (400, 0), seed, angle_deg=0.6, jitter=6), SCAN)
    with pytest.raises(RegisterError) as refused:
        scans.register()
    assert set(refused.value.suspects) == {"S1", "S2"}
    found = scans.register(ties=ties(scans, [(540.0, 250.0), (500.0, 500.0)], seed, 3.0))
    (link,) = found.links
    assert link.tie_count == 2 and link.patch_count >= 6 and not link.is_weak
    assert np.percentile(off_px(scans, found), 99) <= 0.3


def test_one_tie_holds_the_place_and_the_turn_it_was_seen_at() -> None:
    picture = texture(1200, 800, 9)
    picture[:, 430:640] = 0.7
    turned = rigid(np.pi / 2, 420 + 560, 40)
    scans = cut(picture, [rigid(0, 30, 40), turned], Size(560, 560), noise=0.004)
    found = scans.register(ties=ties(scans, [(500.0, 300.0)], 9, 0.0, turn_deg=270))
    assert off_px(scans, found).max() < 3
    (link,) = found.links
    assert link.is_weak and "one tie" in link.reason


def test_a_pair_told_apart_is_never_linked() -> None:
    scans = cut(texture(1300, 700, 11), jittered_grid(3, 1, (380, 0), 11, angle_deg=0.3, jitter=4), SCAN)
    pairs = {(link.scan_a, link.scan_b) for link in scans.register().links}
    assert ("S1", "S2") in pairs
    with pytest.raises(RegisterError, match="S1"):
        scans.register(apart=frozenset([("S1", "S2"), ("S1", "S3")]))


def test_told_apart_it_is_not_measured_either() -> None:
    scans = cut(texture(1100, 1100, 12), jittered_grid(2, 2, (400, 400), 12, angle_deg=0.3, jitter=4), SCAN)
    found = scans.register(apart=frozenset([("S1", "S2")]))
    pairs = {(link.scan_a, link.scan_b) for link in found.links}
    assert pairs <= set(combinations(scans.sources, 2)) - {("S1", "S2")}
    assert np.percentile(off_px(scans, found), 99) <= 0.3
