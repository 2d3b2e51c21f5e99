"""From a placement good to a few pixels to one good to a few hundredths: patches at full resolution, solved again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace

import numpy as np

from stitch.imaging.affine import FloatArray, compose, px_from_mm
from stitch.imaging.colour import Encoding
from stitch.imaging.placed_map import PlacedMap, Shifts
from stitch.model.geometry import Size
from stitch.model.layout import CorrectionFit
from stitch.model.scans import PixelSource
from stitch.model.store import NO_STORE
from stitch.progress import Progress
from stitch.register import graph
from stitch.register.apart import apart_px, held_distances, in_sigmas, points_of
from stitch.register.felt import feel
from stitch.register.overlaps import common_areas, fine_grains, overlapping
from stitch.register.patches import Measured, Side, measure
from stitch.register.plan import FEW_PATCHES, FEW_TOGETHER, Grain, b_from_a, plan
from stitch.register.remembered import NEARLY_PX, ROUGHLY_PX, Remembered
from stitch.register.solve import Points, Pose, solve
from stitch.register.straighten import STIFFNESSES, Stiffness, Straightened, folds, straighten

MIN_PATCHES = 6
COARSE = Grain(search_px=14, most=FEW_PATCHES, together=FEW_TOGETHER)
COARSE_ALL = Grain(search_px=14)  # where of a few patches too few speak
FINE = Grain(search_px=4)
FEWEST_COARSE = 8
MOST_FINE_PASSES = 3
JOINS_PX = 1.0  # an overlap without a link of its own joins the solve when it agrees this well
JOINS_CONTRARY_SHARE = 0.25
NO_SPOTS: FloatArray = np.zeros((0, 3))
NO_PLACES: FloatArray = np.zeros((0, 2))
UNEXPLAINED_PX = 0.1  # what a rigid solve leaves at nine patches in ten: above it local corrections are tried,
UNEXPLAINED_SIGMAS = 2.0  # if it is more than the patches' own noise, too (honest noise stays below 1.5 here)
HELPS = 0.6  # of the rigid solve's held-out error, in sigmas: what a correction must reach to be believed
ASKED_STEP_MM = 5.0  # between places at which the uncertainty of corrections is asked
FEWEST_JUDGES = 12  # held-out patches, all overlaps together, without which no correction is believed
DENSE_STEP_MM, DENSE_STEP_PX = 3.2, 24  # between patches: the coarser of the two
WORTH_IT = 0.93  # of the held-out error of a stiffer one: what a less stiff correction must reach to be preferred

Pair = tuple[str, str]


@dataclass(frozen=True, slots=True, eq=False)
class Maps:
    """Where every scan lies: its pose and, where there is one, its local correction."""

    poses: Mapping[str, Pose]
    shifts: Mapping[str, Shifts]
    sizes: Mapping[str, Size]

    def placed(self) -> dict[str, PlacedMap]:
        """The whole map of every scan."""
        return {n: PlacedMap(p.matrix(), self.sizes[n], self.shifts.get(n)) for n, p in self.poses.items()}


@dataclass(frozen=True, slots=True, eq=False)
class Refined:
    """The final maps and what each overlap had to say about them."""

    maps: Maps
    sigma_px: Mapping[str, float]
    measured: tuple[Measured, ...]  # of every overlap, last pass
    used: frozenset[Pair]  # overlaps whose patches the solve used
    held_out_px: Mapping[Pair, FloatArray]  # distances at held-out patches, of a solve that did not see them
    joint_sigma_px: Mapping[Pair, float]  # how sure the two scans lie to each other at their patches, at worst
    rms_sigma_px: Mapping[Pair, float]  # and on average
    uncertain_px: Mapping[Pair, FloatArray] = field(default_factory=dict)  # corrections: spread at places all over
    correction: CorrectionFit | None = None


@dataclass(frozen=True, slots=True, eq=False)
class _Trial:
    """A solve that did not see the held-out patches, judged by them."""

    stiffness: Stiffness | None
    held_out_px: Mapping[Pair, FloatArray]
    p90_px: float  # of all of them
    p95_px: float
    p90_sigmas: float  # in units of each patch's own standard deviation
    is_sound: bool  # no correction folds, and enough patches judge


class Refiner:
    """The scans and everything that stays the same while their placement is refined."""

    def __init__(
        self,
        sources: Mapping[str, PixelSource],
        feature_points: Sequence[Points],
        anchor: str,
        nominal_ppi: float,
        spots_px: Mapping[str, FloatArray],
        encoding: Encoding,
        pool: Executor,
        progress: Progress,
        *,
        ties: Sequence[Points] = (),
        apart: frozenset[Pair] = frozenset(),
        remembered: Remembered | None = None,
    ) -> None:
        """`ties` : made by hand; `apart` : every two scans, in the order of names, that do not touch.

        `remembered` : patches of an earlier run, and where to keep those of this one.
        """
        self._sources = sources
        self._sizes = {name: source.size for name, source in sources.items()}
        self._linked = {(p.scan_a, p.scan_b): p for p in feature_points}
        self._ties = tuple(ties)
        self._apart = apart
        self._remembered = remembered or Remembered(NO_STORE, {})
        self._anchor = anchor
        self._ppi = nominal_ppi
        self._spots = spots_px
        self._encoding = encoding
        self._pool = pool
        self._progress = progress

    def refine(self, poses: Mapping[str, Pose]) -> Refined:
        """Measure patches, solve, measure again around the better prediction; correct locally where that is needed."""
        found = self._refined(Maps(poses, {}, self._sizes))
        self._remembered.save()
        return found

    def _refined(self, maps: Maps) -> Refined:
        maps = self._roughly(maps)
        pairs = sorted(self._linked.keys() | overlapping(maps.poses, self._sizes, self._apart))
        grains = fine_grains(common_areas(maps.poses, self._sizes, pairs), FINE)
        known: list[Measured] = []
        for _ in range(MOST_FINE_PASSES):
            looked_at = maps.placed()
            again = self._measure(maps, {p: g for p, g in grains.items() if not _holds(known, p)}, is_first=False)
            measured = sorted([*known, *again], key=lambda one: (one.scan_a, one.scan_b))
            maps = self._solved_with(maps, self._chosen(maps, measured), None)
            known = [one for one in measured if moved_px(one, looked_at, maps.placed()) <= NEARLY_PX]
            if len(known) == len(measured):
                break
        trial = self._trial(maps, measured, None)
        rigid = self._finished(maps, measured, trial)
        if trial.p90_px <= UNEXPLAINED_PX or trial.p90_sigmas <= UNEXPLAINED_SIGMAS:
            return rigid
        return self._corrected(maps, pairs) or rigid

    def _roughly(self, maps: Maps) -> Maps:
        """The placement by a few patches in as many overlaps as hold every scan twice, and features in the others."""
        held = graph.held_twice(self._sizes, common_areas(maps.poses, self._sizes, self._linked))
        measured = self._measure(maps, dict.fromkeys(sorted(held), COARSE), is_first=True)
        others = [points for pair, points in self._linked.items() if pair not in held and not points.is_stated]
        return self._solved_with(maps, [*self._chosen(maps, measured), *others], None)

    def _corrected(self, maps: Maps, pairs: Sequence[Pair]) -> Refined | None:
        """The placement with local corrections, or None where they do not lower the held-out error."""
        flexible = STIFFNESSES[-1]
        for number, grain in enumerate(_dense_grains(self._ppi)):
            measured = self._measure(maps, dict.fromkeys(pairs, grain), is_first=number == 0)
            maps = self._solved_with(maps, self._chosen(maps, measured), flexible)
        trials = [self._trial(maps, measured, stiffness) for stiffness in (None, *STIFFNESSES)]
        best = trials[0]
        for one in trials[1:]:
            limit = HELPS if best.stiffness is None else WORTH_IT
            if one.is_sound and one.p90_sigmas < limit * best.p90_sigmas:
                best = one
        if best.stiffness is None:
            return None
        fit = CorrectionFit(best.stiffness.name, trials[0].p95_px, best.p95_px)
        return replace(self._finished(maps, measured, best), correction=fit)

    def _places(self, maps: Maps, used: Sequence[Points]) -> list[Points]:
        """Places all over each overlap whose points are used, to its very rim."""
        placed = maps.placed()
        step = round(px_from_mm(ASKED_STEP_MM, self._ppi))
        asked = []
        for one in used:
            a, b = placed[one.scan_a], placed[one.scan_b]
            groups = plan(a, b, Grain(0, step, step))
            if groups:
                there = np.concatenate([group.centres for group in groups])
                plain = np.broadcast_to(np.eye(2), (len(there), 2, 2))
                asked.append(Points(one.scan_a, one.scan_b, there, b_from_a(a, b, there), plain))
        return asked

    def _anywhere(self, maps: Maps, measured: Measured) -> FloatArray:
        """The patches of an overlap, or places all over it where ties alone hold it, (n, 2) scan a px."""
        pair = (measured.scan_a, measured.scan_b)
        if not any((tie.scan_a, tie.scan_b) == pair for tie in self._ties):
            return measured.points_a
        plain = Points(*pair, NO_PLACES, NO_PLACES, np.zeros((0, 2, 2)))
        return np.concatenate([NO_PLACES, *(one.points_a for one in self._places(maps, [plain]))])

    def _measure(self, maps: Maps, grains: Mapping[Pair, Grain], *, is_first: bool) -> list[Measured]:
        """Patches of every pair, those of an earlier run where they were looked for near enough to where they are now.

        `is_first` : of several passes, so that the scans are not yet known to lie where they are now.
        """
        placed = maps.placed()
        sides = {
            name: Side(name, source, placed[name], self._spots.get(name, NO_SPOTS), self._encoding)
            for name, source in self._sources.items()
        }

        def one(pair: Pair) -> Measured:
            a, b = (sides[name] for name in pair)
            grain = grains[pair]
            known = self._remembered.near(a, b, grain, ROUGHLY_PX if is_first else NEARLY_PX)
            if known is not None:
                return known
            turn_deg = graph.nearest_turn_deg(compose(b.placed.straight_from_canvas, a.placed.canvas_from_straight))
            found = measure(a, b, turn_deg, grain)
            if grain is COARSE and found.count < FEWEST_COARSE:
                found = measure(a, b, turn_deg, COARSE_ALL)
            if not is_first:
                self._remembered.note(a, b, grain, found)
            return found

        measured = []
        with self._progress.task("Measuring overlaps", len(grains)) as task:
            for found in self._pool.map(one, grains):
                measured.append(found)
                task.advance()
        return measured

    def _chosen(self, maps: Maps, measured: Sequence[Measured], *, is_trial: bool = False) -> list[Points]:
        """Points for the solve: patches where there are enough, else the pair's features.

        In a trial those that are held out, or share noise with one that is, are left out.
        """
        placed = maps.placed()
        chosen = []
        for one in measured:
            key = (one.scan_a, one.scan_b)
            use = ~(one.is_held_out | one.is_beside) if is_trial else np.ones(one.count, bool)
            points = points_of(one, placed, use)
            has_enough = len(points.points_a) >= MIN_PATCHES
            if key in self._linked:
                chosen.append(points if has_enough else self._linked[key])
            elif has_enough and _joins(one, held_distances(apart_px(placed, points), points.covariance_px2)):
                chosen.append(points)
        held_by_ties = {(p.scan_a, p.scan_b) for p in chosen if p.is_stated}
        return chosen + [tie for tie in self._ties if (tie.scan_a, tie.scan_b) not in held_by_ties]

    def _straightened(
        self, maps: Maps, points: Sequence[Points], stiffness: Stiffness, asked: Sequence[Points] = ()
    ) -> Straightened:
        return straighten(maps.poses, maps.shifts, self._sizes, points, self._anchor, self._ppi, stiffness, asked)

    def _trial(self, maps: Maps, measured: Sequence[Measured], stiffness: Stiffness | None) -> _Trial:
        """Solve without the held-out patches, and look how far apart those are then."""
        chosen = self._chosen(maps, measured, is_trial=True)
        solved = self._solved_with(maps, chosen, stiffness, feels_bed=True)
        placed = solved.placed()
        held = {(m.scan_a, m.scan_b): points_of(m, placed, m.is_held_out) for m in measured}
        off = {key: apart_px(placed, points) for key, points in held.items()}
        distances = {key: held_distances(off[key], points.covariance_px2) for key, points in held.items()}
        everything = np.concatenate([*distances.values(), np.zeros(0)])
        sigmas = np.concatenate([*(in_sigmas(off[key], p.covariance_px2) for key, p in held.items()), np.zeros(0)])
        is_sound = not any(folds(shifts) for shifts in solved.shifts.values()) and len(everything) >= FEWEST_JUDGES
        if not len(everything):
            return _Trial(stiffness, distances, 0.0, 0.0, 0.0, is_sound=is_sound)
        p90, p95 = (float(v) for v in np.percentile(everything, (90, 95)))
        return _Trial(stiffness, distances, p90, p95, float(np.percentile(sigmas, 90)), is_sound=is_sound)

    def _solved_with(
        self, maps: Maps, points: Sequence[Points], stiffness: Stiffness | None, *, feels_bed: bool = False
    ) -> Maps:
        if stiffness is None:
            solver = feel if feels_bed else solve
            return Maps(solver(maps.poses, points, self._anchor).poses, {}, self._sizes)
        found = self._straightened(maps, points, stiffness)
        return Maps(found.poses, found.shifts, self._sizes)

    def _finished(self, maps: Maps, measured: Sequence[Measured], trial: _Trial) -> Refined:
        """The solve with all patches, judged by the trial that has not seen some of them."""
        used = self._chosen(maps, measured)
        rigid = (feel if trial.stiffness is None else solve)(maps.poses, used, self._anchor)
        final, uncertain = Maps(rigid.poses, {}, self._sizes), {}
        if trial.stiffness is not None:
            found = self._straightened(maps, used, trial.stiffness, self._places(maps, used))
            final = Maps(found.poses, found.shifts, self._sizes)
            uncertain = {key: np.sqrt(variance) for key, variance in found.variance_px2.items()}
        asked = [m.points_a if m.count >= MIN_PATCHES else self._anywhere(maps, m) for m in measured]
        return Refined(
            final,
            rigid.sigma_px,
            tuple(measured),
            frozenset((p.scan_a, p.scan_b) for p in used),
            trial.held_out_px,
            {(m.scan_a, m.scan_b): rigid.joint_sigma_px(m.scan_a, m.scan_b, asked[k]) for k, m in enumerate(measured)},
            {(m.scan_a, m.scan_b): rigid.rms_sigma_px(m.scan_a, m.scan_b, asked[k]) for k, m in enumerate(measured)},
            uncertain,
        )


def moved_px(measured: Measured, before: Mapping[str, PlacedMap], now: Mapping[str, PlacedMap]) -> float:
    """How far the place of the second scan under the patches of the first has moved, at most; 0 without patches."""
    was, is_now = (b_from_a(maps[measured.scan_a], maps[measured.scan_b], measured.points_a) for maps in (before, now))
    return float(np.abs(was - is_now).max(initial=0.0))


def _holds(known: Sequence[Measured], pair: Pair) -> bool:
    return any((one.scan_a, one.scan_b) == pair for one in known)


def _joins(measured: Measured, off_px: FloatArray) -> bool:
    """Whether an overlap without a link of its own agrees so well that its patches may help."""
    agrees = len(off_px) >= MIN_PATCHES and float(np.median(off_px)) < JOINS_PX
    return agrees and measured.contrary_share < JOINS_CONTRARY_SHARE


def _dense_grains(ppi: float) -> tuple[Grain, ...]:
    """From a wide search to a fine one that comes nearer to the borders: each follows a solve.

    The search stays wide enough to see past the next thread of a canvas, which a patch would else lock on to.
    """
    step = max(DENSE_STEP_PX, round(px_from_mm(DENSE_STEP_MM, ppi)))
    size = max(48, 2 * round(0.7 * step))
    return (
        Grain(14, max(64, size), round(1.5 * step)),
        Grain(6, size, step, least_seen=0.6),
        Grain(6, size, step, least_seen=0.35),
        Grain(0, size, step, least_seen=0.35),
    )
