"""Patches measured in overlaps: at borders, on a weave, under dirt, between resolutions, whatever is read together."""

from __future__ import annotations

import numpy as np
import pytest

from stitch.imaging.affine import FloatArray, compose, rigid
from stitch.imaging.placed_map import PlacedMap
from stitch.model.geometry import Size
from stitch.register import patches, plan
from stitch.register.patches import Measured, Side, measure
from stitch.register.plan import Grain
from tests.held import HeldSource
from tests.register.cutting import BentScans, cut_finely, texture

SIZE = Size(360, 400)
NONE = np.zeros((0, 3))
DENSE = Grain(6, 48, (24, 24), least_seen=0.35)


def pair(seed: int, *, picture: np.ndarray | None = None, noise: float = 0.004) -> BentScans:
    """Two scans beside each other, a little turned, with about 200 px in common."""
    rng = np.random.default_rng(seed)
    places = [rigid(float(rng.uniform(-0.01, 0.01)), 15 + 160 * k + rng.uniform(-4, 4), 20.0) for k in range(2)]
    return cut_finely(texture(570, 460, seed) if picture is None else picture, places, SIZE, noise=noise, seed=seed)


def sides(scans: BentScans, off_px: tuple[float, float] = (0.0, 0.0), spots: dict | None = None) -> list[Side]:
    """Both scans where they are, the second thought to lie `off_px` away from there."""
    moves = {"S1": (0.0, 0.0), "S2": off_px}
    return [
        Side(
            name,
            source,
            PlacedMap(compose(rigid(0.0, *moves[name]), scans.places[name]), source.size),
            (spots or {}).get(name, NONE),
        )
        for name, source in scans.sources.items()
    ]


def errors(scans: BentScans, measured: Measured) -> FloatArray:
    """Of the measured points of b, px of b."""
    return measured.points_b - scans.scan_px(measured.scan_b, scans.painting_px(measured.scan_a, measured.points_a))


def edge_px(measured: Measured, scans: BentScans) -> FloatArray:
    """How near each point lies to a border of either scan."""
    near = []
    for name, points in ((measured.scan_a, measured.points_a), (measured.scan_b, measured.points_b)):
        size = scans.sources[name].size
        high = np.array([size.width_px, size.height_px]) - 1 - points
        near.append(np.minimum(points, high).min(axis=1))
    return np.minimum(*near)


@pytest.mark.parametrize("seed", [1, 2])
def test_patches_that_reach_over_a_border_measure_what_they_see(seed: int) -> None:
    scans = pair(seed)
    measured = measure(*sides(scans), 0, DENSE)
    error, near = errors(scans, measured), edge_px(measured, scans)
    partial = near < 20
    assert partial.sum() > 10
    assert np.abs(error[partial].mean(axis=0)).max() < 0.015
    assert np.sqrt((error[partial] ** 2).mean()) < 0.03
    assert np.abs(error).max() < 0.15
    whole = measure(*sides(scans), 0, Grain(6, 48, (24, 24)))
    assert edge_px(whole, scans).min() > edge_px(measured, scans).min() + 8


def woven(seed: int, paint: float, weave: float, noise: float) -> BentScans:
    """Paint on a canvas whose threads lie 4.7 px apart."""
    ys, xs = np.mgrid[:460, :570]
    threads = weave * (np.sin(2 * np.pi * xs / 4.7) + np.sin(2 * np.pi * ys / 4.7))
    picture = np.clip(texture(570, 460, seed, coarse=paint) + threads[..., None], 0, 1)
    return pair(seed, picture=picture.astype(np.float32), noise=noise)


@pytest.mark.parametrize("grain", [Grain(14), Grain(14, 64, (36, 36)), DENSE], ids=["sparse", "coarse", "dense"])
@pytest.mark.parametrize("seed", [3, 4])
def test_a_weave_does_not_draw_patches_to_its_next_thread(grain: Grain, seed: int) -> None:
    """The search starts 3 px off, more than half a thread."""
    scans = woven(seed, 0.03, 0.08, 0.004)
    measured = measure(*sides(scans, (3.0, -3.0)), 0, grain)
    assert measured.count >= 0.5 * measured.offered_count
    assert np.abs(errors(scans, measured)).max() < 0.5


@pytest.mark.parametrize("grain", [Grain(14), DENSE], ids=["sparse", "dense"])
def test_where_there_is_hardly_more_than_the_weave_nothing_is_measured(grain: Grain) -> None:
    """Every thread fits: to take one of them would be a guess."""
    scans = woven(5, 0.002, 0.1, 0.02)
    measured = measure(*sides(scans, (3.0, -3.0)), 0, grain)
    assert (np.abs(errors(scans, measured)).max(axis=1) > 1).sum() <= 0.02 * measured.offered_count


def dirty(scans: BentScans, seed: int, count: int = 60) -> tuple[BentScans, dict[str, FloatArray]]:
    """The same dark specks at the same bed places of both scans, and circles around them."""
    rng = np.random.default_rng(seed)
    spots = np.column_stack([rng.uniform(5, SIZE.width_px - 6, count), rng.uniform(5, SIZE.height_px - 6, count)])
    ys, xs = np.mgrid[: SIZE.height_px, : SIZE.width_px]
    covered = np.zeros(xs.shape, bool)
    for x, y in spots:
        covered |= (xs - x) ** 2 + (ys - y) ** 2 < 3.5**2
    sources = {}
    for name, source in scans.sources.items():
        pixels = source.pixels.copy()
        pixels[covered] = 1500
        sources[name] = HeldSource(pixels)
    circles = np.column_stack([spots, np.full(count, 5.0)])
    return BentScans(sources, scans.places, scans.fields), dict.fromkeys(sources, circles)


@pytest.mark.parametrize("seed", [5, 6])
def test_dirt_on_the_glass_has_no_weight(seed: int) -> None:
    clean = pair(seed)
    scans, spots = dirty(clean, seed)
    with_spots, without = (errors(scans, measure(*sides(scans, spots=s), 0, DENSE)) for s in (spots, None))
    at_best = errors(clean, measure(*sides(clean), 0, DENSE))
    rms = [float(np.sqrt((e**2).mean())) for e in (at_best, with_spots, without)]
    assert rms[1] < 2 * rms[0] + 0.01
    assert rms[1] < 0.5 * rms[2]
    assert np.abs(with_spots).max() < 0.3


@pytest.mark.parametrize("grain", [Grain(4), DENSE], ids=["sparse", "dense"])
def test_points_do_not_depend_on_what_is_read_together(grain: Grain, monkeypatch: pytest.MonkeyPatch) -> None:
    scans = pair(7)
    one = measure(*sides(scans, (0.4, 0.3)), 0, grain)
    monkeypatch.setattr(plan, "DENSE_TOGETHER", (3, 2))
    other = measure(*sides(scans, (0.4, 0.3)), 0, grain)
    key = [np.lexsort(np.round(m.points_a, 1).T) for m in (one, other)]
    assert one.count == other.count > 20
    np.testing.assert_allclose(one.points_a[key[0]], other.points_a[key[1]], atol=0.05)
    np.testing.assert_allclose(errors(scans, one)[key[0]], errors(scans, other)[key[1]], atol=1e-3)
    np.testing.assert_array_equal(one.is_held_out[key[0]], other.is_held_out[key[1]])
    np.testing.assert_array_equal(one.is_beside[key[0]], other.is_beside[key[1]])


@pytest.mark.parametrize("order", [1, -1])
def test_a_second_scan_of_half_the_resolution_is_measured_on_its_own_grid(order: int) -> None:
    """Whichever comes first: points of both in their own px, covariances in those of the first."""
    picture = texture(1100, 900, 8)
    fine = rigid(0.004, 20, 25)
    coarse = np.array([[2.0, 0.01, 330.0], [-0.01, 2.0, 40.0]])
    one = cut_finely(picture, [fine], Size(700, 800), seed=1)
    other = cut_finely(picture, [coarse], Size(360, 400), seed=2)
    scans = BentScans(
        {"S1": one.sources["S1"], "S2": other.sources["S1"]},
        {"S1": fine, "S2": coarse},
        {"S1": one.fields["S1"], "S2": one.fields["S1"]},
    )
    measured = measure(*sides(scans, (0.5, 0.5))[::order], 0, Grain(4))
    assert (measured.scan_a, measured.scan_b) == ("S1", "S2")[::order]
    error = errors(scans, measured) * (2.0 if order == 1 else 1.0)  # px of the finer scan
    assert measured.count > 20
    assert np.sqrt((error**2).mean()) < 0.06
    assert np.abs(error.mean(axis=0)).max() < 0.02
    sigma = np.sqrt(np.trace(measured.covariance_px2, axis1=1, axis2=2).mean() / 2) * (1.0 if order == 1 else 2.0)
    assert 0.02 < sigma < 0.3
    assert sigma > np.sqrt((error**2).mean())


@pytest.mark.parametrize("quarters", [1, 2, 3])
def test_points_of_a_turned_scan_are_where_they_are(quarters: int) -> None:
    """A shift found on the grid of the first scan is taken to the px of the turned one."""
    scans = pair(13)
    h, w = SIZE.height_px - 1.0, SIZE.width_px - 1.0
    back = {  # scan px as it was from px of the turned one (counter-clockwise, as np.rot90 turns)
        1: np.array([[0.0, -1.0, w], [1.0, 0.0, 0.0]]),
        2: np.array([[-1.0, 0.0, w], [0.0, -1.0, h]]),
        3: np.array([[0.0, 1.0, 0.0], [-1.0, 0.0, h]]),
    }[quarters]
    turned = HeldSource(np.ascontiguousarray(np.rot90(scans.sources["S2"].pixels, quarters)))
    scans = BentScans(
        scans.sources | {"S2": turned}, scans.places | {"S2": compose(scans.places["S2"], back)}, scans.fields
    )
    measured = measure(*sides(scans, (0.3, 0.2)), 90 * quarters, Grain(4))
    error = errors(scans, measured)
    assert measured.count > 20
    assert np.sqrt((error**2).mean()) < 0.06
    assert np.abs(error.mean(axis=0)).max() < 0.02


def test_scans_that_show_different_things_are_told_from_those_that_do_not() -> None:
    scans, other = pair(9), pair(10)
    mixed = BentScans({"S1": scans.sources["S1"], "S2": other.sources["S2"]}, scans.places, scans.fields)
    assert measure(*sides(scans), 0, Grain(4)).contrary_share < 0.05
    assert measure(*sides(mixed), 0, Grain(4)).contrary_share > 0.8


@pytest.mark.parametrize("size,step", [(48, 24), (64, 36), (106, 76), (48, 48)])
def test_patches_kept_apart_share_no_pixel_with_those_the_trial_solve_sees(size: int, step: int) -> None:
    row, column = (v.ravel() for v in np.mgrid[:40, :40])
    held, beside = patches._apart(row, column, Grain(6, size, (step, step)))
    place = step * np.column_stack([row, column])
    apart = np.abs(place[held][:, None] - place[None]).max(axis=-1)
    assert apart[:, ~held & ~beside].min() >= size
    inner = beside & (np.minimum(row, column) > 4) & (np.maximum(row, column) < 35)
    assert apart[:, inner].min(axis=0).max(initial=0) < size  # and no patch is left out for nothing
    assert 1 / 20 < held.mean() < 1 / 12


@pytest.mark.parametrize("seed", [11, 12])
def test_in_the_plan_of_an_overlap_they_share_an_eighth_of_a_side_at_most(seed: int) -> None:
    """Patches lie a little closer than asked where a whole number of them is spread over a narrow overlap."""
    a, b = sides(pair(seed))
    corners: dict[bool, list[FloatArray]] = {True: [], False: []}
    for group in plan.plan(a.placed, b.placed, DENSE):
        held, beside = patches._apart(group.row, group.column, DENSE)
        for is_held, chosen in ((True, held), (False, ~held & ~beside)):
            corners[is_held].append(group.centres[chosen])
    kept, seen = (np.concatenate(corners[is_held]) for is_held in (True, False))
    assert len(kept) >= 5 and len(seen) >= 20
    assert np.abs(kept[:, None] - seen[None]).max(axis=-1).min() >= 7 / 8 * DENSE.size_px


def test_nothing_is_measured_where_scans_do_not_meet() -> None:
    scans = pair(12)
    a, b = sides(scans, (1000.0, 0.0))
    for grain in (Grain(4), DENSE):
        found = measure(a, b, 0, grain)
        assert found.count == found.offered_count == 0
        assert found.contrary_share == 0.0
