"""Specks put into texture: found on the glass, told apart between scans, proposed by their looks, and covered."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from stitch.dust.contrast import softened
from stitch.dust.glass import find_on_glass
from stitch.dust.looks import find_looks, lonely
from stitch.dust.mend import disagreement, from_donor, from_likeness
from stitch.dust.odd import odd_ones
from stitch.imaging.spots import Capsule, capsule, capsules, inside
from stitch.model.geometry import Window
from tests.held import HeldSource
from tests.register.cutting import texture

PPI = 200.0
SIDE = 300
Y, X = np.mgrid[:SIDE, :SIDE]


def paint(seed: int, lively: float = 0.25) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return np.clip(texture(SIDE, SIDE, seed) * lively + 0.5 + 0.003 * rng.standard_normal((SIDE, SIDE, 3)), 0, 1)


def with_specks(picture: np.ndarray, places: list[tuple[float, float]], radius: float, level: float) -> np.ndarray:
    out = picture.copy()
    for x, y in places:
        cover = np.clip(radius + 0.5 - np.hypot(X - x, Y - y), 0, 1)[..., None]
        out += cover * (level - out)
    return out


def codes(picture: np.ndarray) -> np.ndarray:
    return np.rint(np.clip(picture, 0, 1) * 65535).astype(np.uint16)


def places(seed: int, count: int) -> list[tuple[float, float]]:
    return [tuple(at) for at in np.random.default_rng(seed).uniform(30, SIDE - 30, (count, 2))]


@pytest.mark.parametrize("seed", [1, 2])
def test_glass_is_told_from_drops_of_paint(seed: int) -> None:
    dust = places(seed, 8)
    scans = {}
    for k in range(4):
        dotted = with_specks(paint(10 * seed + k), places(100 * seed + k, 60), 1.5, 0.15)
        scans[f"s{k}"] = HeldSource(codes(with_specks(dotted, dust, 2.0, 0.1)))
    found = find_on_glass(scans, PPI)
    near = [[np.hypot(one.place.x - x, one.place.y - y) < 4 for one in found] for x, y in dust]
    assert sum(any(row) for row in near) >= 7
    assert sum(any(column) for column in zip(*near, strict=True)) >= 0.85 * len(found)
    assert find_on_glass(dict(list(scans.items())[:2]), PPI) == ()


def test_clean_glass_gives_next_to_nothing() -> None:
    scans = {f"s{k}": HeldSource(codes(with_specks(paint(k), places(k, 60), 1.5, 0.15))) for k in range(4)}
    assert len(find_on_glass(scans, PPI)) <= 1


def test_what_only_the_picture_shows_is_odd_and_what_only_the_other_shows_is_not() -> None:
    base = paint(3)
    mine, theirs = (150.0, 80.0), (90.0, 200.0)
    picture = with_specks(base, [mine], 2.0, 0.1).mean(axis=2).astype(np.float32)
    other = with_specks(np.roll(base, 1, 1) * 1.01, [theirs], 2.0, 0.1).mean(axis=2).astype(np.float32)
    everywhere = np.ones(picture.shape, bool)
    seen = odd_ones(picture, [(other, everywhere)], PPI)
    assert seen[80, 150] and not seen[195:206, 85:96].any()
    assert seen.sum() < 40
    both = odd_ones(picture, [(other, everywhere), (picture, everywhere)], PPI)
    assert not both.any()  # a third scan shows it, too: it is on the painting


def test_lone_grey_specks_are_proposed_and_splatter_is_not() -> None:
    dust = [(60.0, 60.0)]
    splatter = [(200 + x, 200 + y) for x, y in np.random.default_rng(4).uniform(-40, 40, (20, 2))]
    picture = codes(with_specks(with_specks(paint(5), dust, 2.0, 0.1), splatter, 2.0, 0.1))
    window = Window(0, 0, SIDE, SIDE)
    found = lonely(find_looks(picture, window, window, PPI), PPI)
    assert [(round(one.x), round(one.y)) for one in found] == [(60, 60)]
    assert lonely([], PPI) == []


@pytest.mark.parametrize("lively", [0.25, 0.6, 1.0])
def test_lively_paint_silences_no_lone_speck(lively: float) -> None:
    window = Window(0, 0, SIDE, SIDE)
    found = 0
    for seed in range(1, 11):
        (at,) = places(seed, 1)
        looks = find_looks(codes(with_specks(paint(seed, lively), [at], 2.0, 0.1)), window, window, PPI)
        told = [np.hypot(one.x - at[0], one.y - at[1]) < 3 for one in lonely(looks, PPI)]
        assert all(told)
        found += any(told)
    assert found >= 9


def test_a_speck_is_covered_by_the_clean_scan_or_by_paint_like_it() -> None:
    clean = paint(6)
    picture, donor = codes(with_specks(clean, [(150, 150)], 3.0, 0.1)), codes(np.clip(clean * 1.02, 0, 1))
    speck = np.hypot(X - 150, Y - 150) < 5
    right = codes(clean)[speck].astype(float)
    from_scan = from_donor(picture, donor, speck, speck).astype(float)
    from_paint = from_likeness(picture, speck, speck, PPI).astype(float)
    assert np.abs(from_scan - right).mean() < 300
    assert np.abs(from_paint - right).mean() < 0.25 * np.abs(picture[speck] - right).mean()
    assert from_paint.std() > 0.4 * right.std()
    assert disagreement(picture, donor, speck, speck) < 0.01 < disagreement(picture, codes(paint(7)), speck, speck)
    assert np.array_equal(from_likeness(picture, speck, np.ones_like(speck), PPI), picture[speck])


def test_a_hair_is_a_long_capsule() -> None:
    rows, columns = np.nonzero(np.abs(Y - 100 - 0.5 * (X - 100)) < 1.2)
    keep = np.abs(columns - 100) < 30
    one = capsule(columns[keep], rows[keep])
    assert one.angle_deg % 180 == pytest.approx(26.6, abs=1.0)
    assert one.length > 10 * one.width
    assert inside(Capsule(5.0, 5.0, 0.0, 2.0, 0.0), np.array([5, 8]), np.array([5, 5]), 0.5).tolist() == [True, False]


@pytest.mark.parametrize("sigma", [1.5, 4.3, 13.0])
def test_running_means_are_nearly_a_gaussian(sigma: float) -> None:
    plane = np.random.default_rng(3).random((200, 200), np.float32)
    right = cv2.GaussianBlur(plane, (0, 0), sigma)
    assert np.abs(softened(plane, sigma) - right).std() < 0.1 * right.std()


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_a_hair_with_a_speck_beside_it_is_followed_by_several_capsules(seed: int) -> None:
    rng = np.random.default_rng(seed)
    turn, radius = rng.uniform(0, np.pi), rng.uniform(25, 60)
    across = np.abs(np.hypot(X - 150 - radius * np.cos(turn), Y - 150 - radius * np.sin(turn)) - radius)
    bent = (across < 1.2) & (np.hypot(X - 150, Y - 150) < 24)
    speck = np.hypot(X - 150 - 6 * np.cos(turn), Y - 150 - 6 * np.sin(turn)) < 3.5
    rows, columns = np.nonzero(bent | speck)
    found = list(capsules(columns, rows))
    covered = np.logical_or.reduce([inside(one, X, Y, 0.5) for one in found])
    assert 1 < len(found) <= 8
    assert covered[rows, columns].mean() > 0.85
    assert covered.sum() < 2.5 * len(rows)
    alone = list(capsules(*np.nonzero((np.abs(Y - 100) < 1.2) & (np.abs(X - 100) < 20))[::-1]))
    assert len(alone) == 1
