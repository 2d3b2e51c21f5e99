"""Two scans of the same part: linked, and the less sharp one is left out when nothing is lost."""

import cv2
import numpy as np
import pytest

from stitch.imaging.affine import rigid
from stitch.model.geometry import Size
from stitch.register.duplicates import redundant
from stitch.register.features import detect
from stitch.register.pairs import Pair, try_pair
from stitch.register.place import Registration, reduce_all
from stitch.register.reduced import Reduced
from stitch.register.solve import Pose
from tests.held import HeldSource
from tests.register.cutting import CutScans, cut, texture

SCAN = Size(420, 360)
WIDE = rigid(0.0, 20, 20)
AGAIN = rigid(0.004, 26, 24)
NEXT = rigid(-0.006, 330, 22)


def placed(scans: CutScans) -> tuple[Registration, dict[str, Reduced]]:
    poses = {n: Pose.of_matrix(m, SCAN, 1.0) for n, m in scans.painting_from_scan.items()}
    none = dict.fromkeys(poses, 0.0)
    found = Registration(600.0, "S1", poses, dict.fromkeys(poses, SCAN), none, (), ())
    return found, reduce_all(scans.sources)


def softened(source: HeldSource, sigma_px: float) -> HeldSource:
    return HeldSource(cv2.GaussianBlur(source.pixels, (0, 0), sigma_px))


@pytest.mark.parametrize(("seed", "soft"), [(1, "S1"), (2, "S2"), (3, "S2")])
def test_the_softer_of_two_scans_is_left_out(seed: int, soft: str) -> None:
    scans = cut(texture(800, 420, seed), [WIDE, AGAIN, NEXT], SCAN, seed=seed)
    scans.sources[soft] = softened(scans.sources[soft], 1.0)
    found, reduced = placed(scans)
    outline = np.array([[30.0, 30], [700, 30], [700, 360], [30, 360]])
    (left,) = redundant(found, reduced, scans.sources, outline)
    assert left.scan_id == soft and {left.scan_id, left.kept_id} == {"S1", "S2"}
    assert 0.3 < left.sharpness_fraction < 0.9


def test_a_noisy_scan_does_not_pass_for_a_sharp_one() -> None:
    """Noise has as much fine detail as paint; only what is above it counts."""
    scans = cut(texture(800, 420, 4), [WIDE, AGAIN, NEXT], SCAN, seed=4)
    noise = np.random.default_rng(0).normal(0, 900, scans.sources["S1"].pixels.shape)
    soft = softened(scans.sources["S1"], 1.2).pixels + noise
    scans.sources["S1"] = HeldSource(np.clip(soft, 0, 65535).astype(np.uint16))
    found, reduced = placed(scans)
    outline = np.array([[30.0, 30], [700, 30], [700, 360], [30, 360]])
    assert [left.scan_id for left in redundant(found, reduced, scans.sources, outline)] == ["S1"]


def test_what_no_other_scan_shows_is_never_left_out() -> None:
    scans = cut(texture(800, 420, 5), [WIDE, rigid(0.0, 60, 20), NEXT], SCAN, seed=5)
    scans.sources["S1"] = softened(scans.sources["S1"], 1.5)
    found, reduced = placed(scans)
    assert redundant(found, reduced, scans.sources) == ()


def test_neighbours_are_not_duplicates() -> None:
    found, reduced = placed(cut(texture(800, 420, 6), [WIDE, NEXT], SCAN, seed=6))
    assert redundant(found, reduced) == ()


@pytest.mark.parametrize("seed", [1, 2])
def test_the_same_part_scanned_twice_is_linked(seed: int) -> None:
    scans = cut(texture(800, 420, seed), [WIDE, AGAIN], SCAN, seed=seed)
    a, b = reduce_all(scans.sources).values()
    pair = try_pair(a, b, detect(a), detect(b), 1.0, np.random.default_rng(0))
    assert isinstance(pair, Pair) and pair.candidate.overlap_fraction > 0.92


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_two_blank_sheets_under_the_same_dust_and_frame_are_not_the_same_part(seed: int) -> None:
    rng = np.random.default_rng(seed)
    dirt = np.ones((SCAN.height_px, SCAN.width_px), np.float32)
    for x, y in rng.uniform(10, 340, (60, 2)):
        cv2.circle(dirt, (int(x), int(y)), int(rng.integers(1, 3)), 0.2, -1)
    dirt *= 1 + 0.02 * rng.standard_normal(SCAN.width_px)  # streaks of single columns
    dirt[:, :8] = 0.3 + 0.2 * rng.random((SCAN.height_px, 8))
    sheets = [np.clip(0.8 * dirt[..., None] + rng.normal(0, 0.003, (*dirt.shape, 3)), 0, 1) for _ in range(2)]
    sources = {f"S{k}": HeldSource((sheet * 65535).astype(np.uint16)) for k, sheet in enumerate(sheets)}
    a, b = reduce_all(sources).values()
    assert not isinstance(try_pair(a, b, detect(a), detect(b), 1.0, np.random.default_rng(0)), Pair)
