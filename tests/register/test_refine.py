"""Local corrections in the run: chosen where scans are bent, never where they are not, judged by patches kept apart."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from stitch.imaging.affine import rigid
from stitch.imaging.colour import Encoding
from stitch.model.geometry import Size
from stitch.progress import SILENT
from stitch.register import refine
from stitch.register.dense import dense_grains
from stitch.register.overlap_patches import COARSE, Maps, Pair
from stitch.register.patches import Measured
from stitch.register.place import Registration, reduce_all, register
from stitch.register.plan import Grain
from stitch.register.refine import HELPS, Refiner
from stitch.register.solve import Points, Pose
from stitch.register.straighten import STIFFNESSES, Stiffness, folds
from tests.register.cutting import BentScans, Field, cut_finely, texture

SIZE = Size(440, 600)
PPI = 150.0


def wobble(seed: int, most_px: float) -> Field:
    """Shifts of whole lines along the pass, periods of 30 to 50 mm."""
    rng = np.random.default_rng(seed)
    period, phase = rng.uniform(180, 300), rng.uniform(0, 2 * np.pi)
    return lambda q: np.column_stack([0 * q[:, 0], most_px * np.sin(2 * np.pi * q[:, 1] / period + phase)])


def scans(seed: int, fields: list[Field] | None = None, *, noise: float = 0.004) -> BentScans:
    """Two scans beside each other, with about 240 px in common: room for a dozen patches that judge."""
    rng = np.random.default_rng(seed)
    places = [rigid(float(rng.uniform(-0.015, 0.015)), 20 + 200 * k + rng.uniform(-5, 5), 25.0) for k in range(2)]
    return cut_finely(texture(710, 670, seed), places, SIZE, fields=fields, noise=noise, seed=seed)


def registered(cut: BentScans) -> Registration:
    return register(cut.sources, reduce_all(cut.sources), dict.fromkeys(cut.sources, PPI))


@pytest.mark.parametrize("seed", [1, 2])
def test_bent_scans_are_corrected(seed: int) -> None:
    cut = scans(seed, [wobble(10 * seed, 1.5), wobble(10 * seed + 1, 1.5)])
    found = registered(cut)
    assert found.correction is not None
    assert found.correction.after_p95_px < HELPS * found.correction.before_p95_px
    off = cut.off_px(found.placed())
    linear = cut.off_px(Maps(found.poses, {}, found.sizes).placed())
    assert np.percentile(linear, 99) > 0.8
    assert np.percentile(off, 99) < 0.2
    assert not any(folds(shifts) for shifts in found.shifts.values())
    (link,) = found.links
    assert not link.is_weak
    assert link.expected_px is not None
    assert 0.4 < np.sqrt((off**2).mean()) / link.expected_px < 2.0


@pytest.mark.parametrize("seed", [4, 5])
def test_scans_that_are_not_bent_are_not_corrected(seed: int) -> None:
    found = registered(scans(seed, noise=0.03 if seed % 2 else 0.004))
    assert found.correction is None
    assert found.shifts == {}


def measuring_once(refiner: Refiner) -> Refiner:
    """Measures every grain once: scans and places stay the same."""
    measure, known = refiner._patches.measure, {}

    def remembered(maps: Maps, grains: Mapping[Pair, Grain], *, is_first: bool) -> list[Measured]:
        key = tuple(grains.items())
        if key not in known:
            known[key] = measure(maps, grains, is_first=is_first)
        return known[key]

    refiner._patches.measure = remembered  # type: ignore[method-assign]
    return refiner


@pytest.fixture(scope="module")
def refiner() -> Iterator[Refiner]:
    cut = scans(8)
    at_a, at_b = cut.common("S1", "S2", 40)
    features = Points("S1", "S2", at_a, at_b, np.broadcast_to(np.eye(2), (len(at_a), 2, 2)))
    with ThreadPoolExecutor(1) as pool:
        fixed = "S1", PPI, {}, Encoding.of_profile(None)
        yield measuring_once(Refiner(cut.sources, [features], *fixed, pool, SILENT))


def true_poses() -> dict[str, Pose]:
    rng = np.random.default_rng(8)
    places = [rigid(float(rng.uniform(-0.015, 0.015)), 20 + 200 * k + rng.uniform(-5, 5), 25.0) for k in range(2)]
    return {f"S{k + 1}": Pose.of_matrix(place, SIZE, 1.0) for k, place in enumerate(places)}


def try_always(monkeypatch: pytest.MonkeyPatch) -> None:
    """Corrections are tried however well the rigid placement fits."""
    monkeypatch.setattr(refine, "UNEXPLAINED_PX", 0.0)
    monkeypatch.setattr(refine, "UNEXPLAINED_SIGMAS", 0.0)


@pytest.mark.parametrize(("doubt_px", "is_sure"), [(0.5, True), (30.0, False)])
def test_coarse_patches_are_measured_only_where_features_are_not_sure(
    doubt_px: float, is_sure: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    cut, poses = scans(8), true_poses()
    at_a, at_b = cut.common("S1", "S2", 40)
    rng = np.random.default_rng(1)
    at_b = at_b + doubt_px * rng.standard_normal(at_b.shape)
    features = Points("S1", "S2", at_a, at_b, np.broadcast_to(np.eye(2), (len(at_a), 2, 2)))
    grains: list[Grain] = []
    with ThreadPoolExecutor(1) as pool:
        refiner = Refiner(cut.sources, [features], "S1", PPI, {}, Encoding.of_profile(None), pool, SILENT)
        measure = refiner._patches.measure

        def noted(maps: Maps, wanted: Mapping[Pair, Grain], *, is_first: bool) -> list[Measured]:
            grains.extend(wanted.values())
            return measure(maps, wanted, is_first=is_first)

        monkeypatch.setattr(refiner._patches, "measure", noted)
        found = refiner.refine(poses)
    assert (COARSE not in grains) == is_sure
    assert np.percentile(cut.off_px(found.maps.placed()), 99) < 0.1


@pytest.mark.parametrize("seed", [9])
def test_even_when_tried_a_correction_of_noise_is_not_believed(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Corrections follow the noise of the patches they see, and make it worse for those kept apart."""
    try_always(monkeypatch)
    tried: list[Stiffness] = []
    original = Refiner._trial

    def trial(self: Refiner, maps: Maps, measured: Sequence[Measured], stiffness: Stiffness | None):
        tried.append(stiffness)
        return original(self, maps, measured, stiffness)

    monkeypatch.setattr(Refiner, "_trial", trial)
    found = registered(scans(seed, noise=0.03))
    assert set(tried) == {None, *STIFFNESSES}
    assert found.correction is None


@pytest.mark.parametrize(
    "stiff,flexible,sound,chosen",
    [
        (1.0, 1.5, True, "stiff"),
        (1.7, 1.0, True, "flexible"),
        (1.0, 0.95, True, "stiff"),  # the stiffer one when the other is hardly better
        (1.0, 0.9, True, "flexible"),
        (1.3, 1.25, True, None),
        (0.5, 0.5, False, None),
        (3.0, 4.0, True, None),
    ],
)
def test_a_correction_is_chosen_only_when_patches_kept_apart_say_so(
    stiff: float, flexible: float, sound: bool, chosen: str | None, refiner: Refiner, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Errors in sigmas of the patches; without a correction they are 2."""
    errors = dict(zip((None, *STIFFNESSES), (2.0, stiff, flexible), strict=True))

    def trial(self: Refiner, maps: Maps, measured: Sequence[Measured], stiffness: Stiffness | None) -> refine._Trial:
        size = 0.1 * errors[stiffness]
        return refine._Trial(stiffness, {}, size, size, errors[stiffness], is_sound=stiffness is None or sound)

    try_always(monkeypatch)
    monkeypatch.setattr(Refiner, "_trial", trial)
    found = refiner.refine(true_poses())
    assert (found.correction.stiffness if found.correction else None) == chosen
    assert bool(found.maps.shifts) == (chosen is not None)
    if found.correction:
        assert found.correction.before_p95_px == pytest.approx(0.2)
        assert found.correction.after_p95_px == pytest.approx(0.1 * (stiff if chosen == "stiff" else flexible))


def test_too_few_judges_believe_nothing(refiner: Refiner, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(refine, "FEWEST_JUDGES", 10**6)
    try_always(monkeypatch)
    monkeypatch.setattr(refine, "HELPS", 10**6)
    assert refiner.refine(true_poses()).correction is None


def test_the_trial_solve_sees_neither_held_out_patches_nor_those_that_share_noise_with_them(refiner: Refiner) -> None:
    poses = true_poses()
    maps = Maps(poses, {}, dict.fromkeys(poses, SIZE))
    for grain in (refine.FINE, dense_grains(PPI, 1.0)[1]):
        (measured,) = refiner._patches.measure(maps, {("S1", "S2"): grain}, is_first=False)
        assert measured.is_held_out.any()
        assert not (measured.is_held_out & measured.is_beside).any()
        (trial,), (everything,) = (refiner._patches.points(maps, [measured], is_trial=t) for t in (True, False))
        assert rows(everything) == {tuple(p) for p in measured.points_a}
        assert rows(trial) == {tuple(p) for p in measured.points_a[~(measured.is_held_out | measured.is_beside)]}
        assert not rows(trial) & {tuple(p) for p in measured.points_a[measured.is_held_out]}


def rows(points: Points) -> set[tuple[float, ...]]:
    return {tuple(p) for p in points.points_a}
