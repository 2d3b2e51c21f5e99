"""What is on the glass is found from the set of scans, and nothing is found on a clean glass."""

import math

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from stitch.imaging.affine import rigid
from stitch.imaging.discs import AROUND_MM, glass_discs_px
from stitch.model.bed import GlassSpeck
from stitch.model.geometry import Size
from stitch.register.features import detect, without_fixed
from stitch.register.glass import find_glass
from stitch.register.reduced import Reduced
from tests.register.cutting import texture

SCAN = Size(360, 300)
PPI = 100.0
MM = 25.4 / PPI


def scans_of(
    seed: int, count: int, dirt: NDArray[np.float32] | None = None, coarse: float = 0.06
) -> dict[str, Reduced]:
    """Parts of one texture, each with the same dirt (h, w, factors of light) before it."""
    rng = np.random.default_rng(seed)
    picture = texture(900, 800, seed, coarse)
    found = {}
    for number in range(count):
        place = rigid(rng.uniform(-0.03, 0.03), rng.uniform(20, 500), rng.uniform(20, 450))
        seen = cv2.warpAffine(
            picture, place, (SCAN.width_px, SCAN.height_px), flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        )
        seen = seen * (1 if dirt is None else dirt[..., None]) + rng.normal(0, 0.003, seen.shape)
        name = f"S{number}"
        found[name] = Reduced(name, (np.clip(seen, 0, 1) * 65535).astype(np.uint16), 1, SCAN)
    return found


def dust(seed: int, count: int = 25) -> tuple[NDArray[np.float32], NDArray[np.float64]]:
    """Dark grains of 2 to 4 px; factors of light, and the middles (n, 2)."""
    rng = np.random.default_rng([seed, 9])
    places = rng.uniform(12, 280, (count, 2))
    fine = np.ones((SCAN.height_px * 4, SCAN.width_px * 4), np.float32)
    for x, y in places:
        middle = int(4 * x + 2), int(4 * y + 2)
        cv2.circle(fine, middle, int(rng.integers(4, 8)), 0.3, -1)
    return cv2.resize(fine, (SCAN.width_px, SCAN.height_px), interpolation=cv2.INTER_AREA), places


def ppi_of(scans: dict[str, Reduced]) -> dict[str, float]:
    return dict.fromkeys(scans, PPI)


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("count", [3, 4, 9])
def test_specks_on_the_glass_are_found_where_they_are(seed: int, count: int) -> None:
    dirt, places = dust(seed)
    glass = find_glass(scans_of(seed, count, dirt, 0.03), ppi_of(scans_of(seed, count)))
    spots = glass_discs_px(glass.specks, PPI)
    off = np.hypot(*(places[:, None] - spots[None, :, :2]).transpose(2, 0, 1))
    assert (off.min(axis=1) < 1.5).mean() > 0.8
    assert (off.min(axis=0) < 4).all()
    assert {speck.scan_count for speck in glass.specks} <= set(range(math.ceil(0.75 * count), count + 1))


@pytest.mark.parametrize("count", [3, 4, 6, 9])
@pytest.mark.parametrize("coarse", [0.02, 0.08])
def test_a_clean_glass_shows_nothing(count: int, coarse: float) -> None:
    for seed in range(4):
        scans = scans_of(100 + seed, count, coarse=coarse)
        assert find_glass(scans, ppi_of(scans), seed=seed).specks == ()


def test_two_scans_say_nothing_about_the_glass() -> None:
    dirt, _ = dust(5)
    scans = scans_of(5, 2, dirt)
    assert find_glass(scans, ppi_of(scans)).fixed is None


def test_a_hair_is_covered_along_its_length_and_the_frame_is_no_speck() -> None:
    dirt = np.ones((SCAN.height_px, SCAN.width_px), np.float32)
    cv2.line(dirt, (120, 80), (150, 110), 0.3, 2)
    dirt[:, :9] = 0.3 + 0.1 * np.random.default_rng(1).random((SCAN.height_px, 9))
    scans = scans_of(6, 6, dirt, 0.03)
    glass = find_glass(scans, ppi_of(scans))
    spots = glass_discs_px(glass.specks, PPI)
    along = np.column_stack([np.linspace(120, 150, 20), np.linspace(80, 110, 20)])
    off = np.hypot(*(along[:, None] - spots[None, :, :2]).transpose(2, 0, 1))
    assert (off < spots[:, 2]).any(axis=1).all()
    assert (spots[:, 0] > 100).all()
    assert glass.fixed is not None and glass.fixed[60:130, 100:170].any()


def test_scans_of_another_resolution_are_compared_in_mm() -> None:
    dirt, places = dust(7)
    scans = scans_of(7, 5, dirt, 0.03)
    half = scans["S1"]
    small = cv2.resize(half.codes, (SCAN.width_px // 2, SCAN.height_px // 2), interpolation=cv2.INTER_AREA)
    scans["S1"] = Reduced("S1", small, 1, Size(SCAN.width_px // 2, SCAN.height_px // 2))
    ppi = ppi_of(scans) | {"S1": PPI / 2}
    spots = glass_discs_px(find_glass(scans, ppi).specks, PPI)
    off = np.hypot(*(places[:, None] - spots[None, :, :2]).transpose(2, 0, 1))
    assert (off.min(axis=1) < 2.5).mean() > 0.6


def test_features_on_the_glass_have_no_vote() -> None:
    dirt, places = dust(8)
    scans = scans_of(8, 5, dirt, 0.01)
    glass = find_glass(scans, ppi_of(scans))
    one = scans["S0"]
    cleaned = glass.cleaned(one, PPI)
    kept = without_fixed(detect(cleaned), glass.mask(cleaned, PPI))
    before = detect(one).points

    def near(points: NDArray[np.float64]) -> float:
        return float((np.hypot(*(points[:, None] - places[None]).transpose(2, 0, 1)).min(axis=1) < 3).mean())

    assert near(before) > 0.008
    assert near(kept.points) < 0.2 * near(before)


def test_spots_are_in_px_of_the_scan() -> None:
    (spot,) = glass_discs_px([GlassSpeck(25.4, 12.7, 0.5, 4)], 300)
    assert spot == pytest.approx((299.5, 149.5, (0.25 + AROUND_MM) * 300 / 25.4))
    assert glass_discs_px([], 300).shape == (0, 3)
