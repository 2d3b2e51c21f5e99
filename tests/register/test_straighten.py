"""Local corrections from points whose true shifts are known at every place."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest

from stitch.imaging.affine import FloatArray, apply, invert, px_from_mm
from stitch.imaging.placed_map import PlacedMap, Shifts, coefficient_count
from stitch.model.geometry import Size
from stitch.register import straighten as straighten_module
from stitch.register.solve import Points, Pose, solve
from stitch.register.straighten import (
    KNOT_MM,
    NEAR_KNOTS,
    STIFFNESSES,
    Straightened,
    folds,
    lattice_wider,
    straighten,
)

PPI = 150.0
SIZE = Size(560, 720)
CENTRE = ((SIZE.width_px - 1) / 2, (SIZE.height_px - 1) / 2)
NOISE_PX = 0.05
STIFF, FLEXIBLE = STIFFNESSES
KNOT_PX = [px_from_mm(mm, PPI) for mm in KNOT_MM]

Field = Callable[[FloatArray], FloatArray]  # shifts (n, 2) at straightened scan px (n, 2)

BESIDE = [(280.0, 360.0), (690.0, 366.0), (1098.0, 357.0)]  # overlaps about 150 px wide
STACKED = [(280.0, 360.0), (285.0, 930.0)]
QUARTERS = [(280.0, 360.0), (690.0, 352.0), (275.0, 930.0), (694.0, 935.0)]


def flat(points: FloatArray) -> FloatArray:
    return np.zeros_like(points)


def wobble(seed: int) -> Field:
    """A stepper's: shifts of whole lines up to 2 px, with periods of 30 to 60 mm."""
    rng = np.random.default_rng(seed)
    period, phase = px_from_mm(rng.uniform(30, 60, 2), PPI), rng.uniform(0, 2 * np.pi, 2)
    return lambda q: np.column_stack(
        [np.sin(2 * np.pi * q[:, 1] / period[k] + phase[k]) * (0.6, 2.0)[k] for k in (0, 1)]
    )


def sag(seed: int) -> Field:
    """Of a sheet that lifts at one side: up to 3 px at the border, nothing 40 mm inside."""
    rng = np.random.default_rng(seed)
    angle, middle = rng.uniform(0, 2 * np.pi), rng.uniform(200, 500)

    def shifts(q: FloatArray) -> FloatArray:
        edge = np.minimum(q[:, 0], SIZE.width_px - 1 - q[:, 0])
        size = 3 * np.exp(-((edge / px_from_mm(20, PPI)) ** 2) - ((q[:, 1] - middle) / px_from_mm(40, PPI)) ** 2)
        return size[:, None] * np.array([np.cos(angle), np.sin(angle)])

    return shifts


@dataclass(frozen=True)
class Desk:
    """Scans with known places and known shifts, and points over their overlaps."""

    poses: dict[str, Pose]
    fields: dict[str, Field]

    @staticmethod
    def of(places: list[tuple[float, float]], fields: list[Field], seed: int):
        rng = np.random.default_rng(seed)
        angles = [float(np.radians(rng.uniform(-1, 1))) for _ in places]
        poses = {f"S{k}": Pose(a, *xy, 1.0, CENTRE) for k, (a, xy) in enumerate(zip(angles, places, strict=True))}
        return Desk(poses, dict(zip(poses, fields, strict=True)))

    def common(self, a: str, b: str, step: int, offset: float = 0.0) -> tuple[FloatArray, FloatArray]:
        """Scan px of the same places in both scans, on a grid of scan a."""
        xs, ys = np.meshgrid(np.arange(offset, SIZE.width_px, step), np.arange(offset, SIZE.height_px, step))
        at_a = np.column_stack([xs.ravel(), ys.ravel()]).astype(float)
        at_b = apply(invert(self.poses[b].matrix()), apply(self.poses[a].matrix(), at_a))
        seen = [q + self.fields[n](q) for n, q in ((a, at_a), (b, at_b))]
        both = np.logical_and(*(self._inside(p) for p in seen))
        return seen[0][both], seen[1][both]

    def pairs(self) -> list[tuple[str, str]]:
        names = list(self.poses)
        found = [(a, b) for i, a in enumerate(names) for b in names[i + 1 :]]
        return [(a, b) for a, b in found if len(self.common(a, b, 60)[0]) >= 6]

    def points(self, seed: int, *, wrong: float = 0.0, step: int = 24) -> list[Points]:
        """Measured with noise; the share `wrong` of them is 2 to 15 px off."""
        rng = np.random.default_rng(seed)
        made = []
        for a, b in self.pairs():
            at_a, at_b = self.common(a, b, step)
            at_b = at_b + NOISE_PX * rng.standard_normal(at_b.shape)
            off = rng.random(len(at_b)) < wrong
            at_b[off] += rng.uniform(2, 15, (off.sum(), 2))
            made.append(Points(a, b, at_a, at_b, np.broadcast_to(np.eye(2) * NOISE_PX**2, (len(at_b), 2, 2))))
        return made

    def rigid(self, points: list[Points]) -> dict[str, Pose]:
        return dict(solve(self.poses, points, "S0").poses)

    def straightened(self, points: list[Points], stiffness=FLEXIBLE, *, runs: int = 1) -> Straightened:
        found, sizes = Straightened(self.rigid(points), {}), dict.fromkeys(self.poses, SIZE)
        for _ in range(runs):
            found = straighten(found.poses, found.shifts, sizes, points, "S0", PPI, stiffness)
        return found

    def off_px(self, poses: dict[str, Pose], shifts: dict[str, Shifts]) -> FloatArray:
        """Distances between where two maps put the same place, over all overlaps, between the points measured."""
        placed = {n: PlacedMap(p.matrix(), SIZE, shifts.get(n)) for n, p in poses.items()}
        both = [(a, b, *self.common(a, b, 17, 5.0)) for a, b in self.pairs()]
        off = [placed[a].canvas_from_scan(p) - placed[b].canvas_from_scan(q) for a, b, p, q in both]
        return np.hypot(*np.concatenate(off).T)

    @staticmethod
    def _inside(points: FloatArray) -> np.ndarray:
        return ((points >= 0) & (points <= [SIZE.width_px - 1, SIZE.height_px - 1])).all(axis=1)


@pytest.mark.parametrize("places", [BESIDE, QUARTERS], ids=["beside", "quarters"])
@pytest.mark.parametrize("kind", [wobble, sag])
@pytest.mark.parametrize("seed", [1, 2])
def test_differences_between_scans_are_recovered(places, kind, seed: int) -> None:
    desk = Desk.of(places, [kind(100 * seed + k) for k in range(len(places))], seed)
    points = desk.points(seed)
    before = desk.off_px(desk.rigid(points), {})
    found = desk.straightened(points)
    after = desk.off_px(found.poses, found.shifts)
    assert np.percentile(before, 99) > 0.8
    assert np.median(after) < 0.05
    assert np.percentile(after, 99) < 0.4
    assert not any(folds(shifts) for shifts in found.shifts.values())


@pytest.mark.parametrize("seed", [4])
def test_one_wrong_point_in_five_does_no_harm(seed: int) -> None:
    desk = Desk.of(QUARTERS, [wobble(10 * seed + k) for k in range(4)], seed)
    clean, foul = (desk.straightened(desk.points(seed, wrong=share), runs=2) for share in (0.0, 0.2))
    p99 = [float(np.percentile(desk.off_px(f.poses, f.shifts), 99)) for f in (clean, foul)]
    assert p99[1] < p99[0] + 0.1


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_rim_that_bends_more_than_the_rest_is_not_left_out(seed: int) -> None:
    """Most points agree better than their noise says; the rim's, which the knots cannot follow to the last, keep a say.

    Run after run: each starts from the last, whose outliers must not stay outliers for good.
    """
    desk = Desk.of(BESIDE[:2], [sag(100 * seed + k) for k in range(2)], seed)
    found = desk.straightened(desk.points(seed), runs=3)
    assert np.percentile(desk.off_px(found.poses, found.shifts), 99) < 0.28


@pytest.mark.parametrize("stiffness,most_px", [(STIFF, 0.1), (FLEXIBLE, 0.6)], ids=["stiff", "flexible"])
@pytest.mark.parametrize("seed", [6, 7])
def test_scans_without_deformation_stay_near_zero(stiffness, most_px: float, seed: int) -> None:
    """Noise of 0.05 px is followed a little, most by the flexible lattice; two scans stay within 2 and 5 times it."""
    desk = Desk.of(QUARTERS, [flat] * 4, seed)
    found = desk.straightened(desk.points(seed), stiffness)
    assert 0 < max(shifts.largest_px for shifts in found.shifts.values()) < most_px
    off = desk.off_px(found.poses, found.shifts)
    assert np.median(off) < NOISE_PX
    assert np.percentile(off, 99) < (2 if stiffness is STIFF else 5) * NOISE_PX


@pytest.mark.parametrize("places,count", [(QUARTERS, 2), (STACKED, 6)], ids=["quarters", "stacked"])
def test_noise_does_not_stretch_what_scans_have_in_common(places, count: int) -> None:
    """Both scans of an overlap stretched alike would lessen their noise, and the painting's shape would pay for it.

    The shift at the far end of an overlap, averaged over scans without any deformation: chance leaves 0.05 px.
    """
    ends = []
    for seed in range(count):
        desk = Desk.of(places, [flat] * len(places), seed)
        found = desk.straightened(desk.points(seed, step=30))
        ends.append(found.shifts["S0"].at(np.array([[280.0, SIZE.height_px - 1.0]]))[0])
    assert np.abs(np.mean(ends, axis=0)).max() < 0.2


@pytest.mark.parametrize("seed", [8, 9])
def test_no_shift_where_nothing_was_seen(seed: int) -> None:
    """Two scans one above the other: rows of the upper one far above the overlap keep their place to the bit."""
    desk = Desk.of(STACKED, [wobble(seed), sag(seed)], seed)
    points = desk.points(seed)
    found = desk.straightened(points)
    highest = points[0].points_a[:, 1].min()
    far = highest - (4 + NEAR_KNOTS) * KNOT_PX[1]
    assert far > 200
    xs, ys = np.meshgrid(np.arange(0, SIZE.width_px, 20.0), np.arange(0, far, 20.0))
    assert np.abs(found.shifts["S0"].at(np.column_stack([xs.ravel(), ys.ravel()]))).max() == 0.0
    near = np.column_stack([np.full(50, 280.0), np.linspace(highest, SIZE.height_px - 1, 50)])
    assert np.abs(found.shifts["S0"].at(near)).max() > 0.1


def test_beside_an_overlap_only_whole_lines_are_shifted() -> None:
    """What depends on the place along a line as well is not carried to where nothing was seen."""
    desk = Desk.of(BESIDE[:2], [sag(11), sag(12)], 11)
    points = desk.points(11)
    found = desk.straightened(points)
    nearest = points[0].points_a[:, 0].min()
    far = nearest - (4 + NEAR_KNOTS) * KNOT_PX[0]
    assert far > 50
    ys = np.linspace(0, SIZE.height_px - 1, 40)
    at = [found.shifts["S0"].at(np.column_stack([np.full(40, x), ys])) for x in (0.0, far)]
    np.testing.assert_allclose(at[0], at[1], atol=1e-9)
    beside = found.shifts["S0"].at(np.column_stack([np.full(40, SIZE.width_px - 1.0), ys]))
    assert np.abs(beside - at[0]).max() > 0.1


@pytest.mark.parametrize("kind", [wobble, sag])
def test_a_difference_is_shared_between_the_two_scans(kind) -> None:
    """Which of the two is bent cannot be seen: each moves by half, as the least sum of squares wants it."""
    desk = Desk.of(BESIDE[:2], [kind(13), flat], 13)
    found = desk.straightened(desk.points(13))
    at_a, at_b = desk.common("S0", "S1", 30)
    moved = [found.shifts[n].at(p) for n, p in (("S0", at_a), ("S1", at_b))]
    moved = [m - m.mean(axis=0) for m in moved]
    size = [float(np.sqrt((m**2).mean())) for m in moved]
    assert size[0] > 0.1
    assert 0.75 < size[0] / size[1] < 1.33
    assert (moved[0] * moved[1]).sum() / (moved[0] ** 2).sum() < -0.7  # to opposite sides


def test_the_anchor_keeps_its_pose_and_the_others_move_along() -> None:
    desk = Desk.of(QUARTERS, [wobble(20 + k) for k in range(4)], 14)
    points = desk.points(14)
    rigid, found = desk.rigid(points), desk.straightened(points)
    assert found.poses["S0"] == rigid["S0"]
    assert all(found.poses[name] != rigid[name] for name in ("S1", "S2", "S3"))


def lattice(seed: int, slope: float) -> Shifts:
    """Random coefficients whose steepest change, along either axis, is `slope`."""
    step = np.array([47.0, 35.0])
    shape = coefficient_count(35.0, SIZE.height_px), coefficient_count(47.0, SIZE.width_px), 2
    made = np.random.default_rng(seed).uniform(-1, 1, shape)
    steepest = max(np.abs(np.diff(made, axis=1 - k) / step[k]).max() for k in (0, 1))
    return Shifts(step, made * slope / steepest, SIZE)


@pytest.mark.parametrize("seed", range(6))
def test_whatever_does_not_count_as_folded_can_be_undone(seed: int) -> None:
    """The map keeps its handedness everywhere, and its inverse is found to a millionth of a px."""
    assert folds(lattice(seed, 0.42))
    shifts = lattice(seed, 0.38)
    assert not folds(shifts)
    rng = np.random.default_rng(seed)
    q = rng.uniform(1, [SIZE.width_px - 2, SIZE.height_px - 2], (3000, 2))
    h = 0.01
    columns = [(shifts.at(q + d) - shifts.at(q - d)) / (2 * h) + np.eye(2)[k] for k, d in enumerate(np.eye(2) * h)]
    assert np.linalg.det(np.stack(columns, axis=-1)).min() > 0.1
    placed = PlacedMap(np.array([[1.0, 0, 0], [0, 1.0, 0]]), SIZE, shifts)
    p = q + shifts.at(q)
    inside = Desk._inside(p)
    np.testing.assert_allclose(placed.straightened(p[inside]), q[inside], atol=1e-6)


@pytest.mark.parametrize("seed", [3, 4])
def test_lines_are_followed_however_wide_the_lattice_has_to_be(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Many large scans leave few unknowns for each: a stepper's wobble is told by its line all the same."""
    desk = Desk.of(QUARTERS, [wobble(100 * seed + k) for k in range(4)], seed)
    points = desk.points(seed)
    usual = desk.straightened(points, runs=2)
    monkeypatch.setattr(straighten_module, "MOST_UNKNOWNS", 700)
    wide = desk.straightened(points, runs=2)
    sizes = dict.fromkeys(desk.poses, SIZE)
    assert lattice_wider(desk.poses, sizes, "S0", PPI) > 2.0
    off, off_usually = (np.percentile(desk.off_px(one.poses, one.shifts), 99) for one in (wide, usual))
    assert off < 0.25
    assert off < 1.2 * off_usually
    assert wide.shifts["S1"].step_px[1] == pytest.approx(KNOT_PX[1])
    assert wide.shifts["S1"].step_px[0] > 2 * KNOT_PX[0]


def test_a_few_scans_keep_the_usual_knots() -> None:
    desk = Desk.of(QUARTERS, [flat] * 4, 1)
    assert lattice_wider(desk.poses, dict.fromkeys(desk.poses, SIZE), "S0", PPI) == pytest.approx(1.0)
