"""From a placement good to a few pixels to one good to a few hundredths: patches at full resolution, solved again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace

import numpy as np

from stitch.imaging.affine import FloatArray, px_from_mm
from stitch.imaging.colour import Encoding
from stitch.model.layout import CorrectionFit
from stitch.model.scans import PixelSource
from stitch.model.store import NO_STORE
from stitch.progress import Progress
from stitch.register import graph
from stitch.register.apart import apart_px, held_distances, in_sigmas, points_of
from stitch.register.dense import dense_grains, is_lossy, where_it_led, without_rim
from stitch.register.felt import feel
from stitch.register.looked import Look, Looked
from stitch.register.overlap_patches import COARSE, MIN_PATCHES, Maps, OverlapPatches, Pair
from stitch.register.overlaps import common_areas, fine_grains, overlapping
from stitch.register.patches import Measured
from stitch.register.plan import Grain, b_from_a, plan
from stitch.register.remembered import Remembered
from stitch.register.solve import Points, Pose, solve
from stitch.register.straighten import (
    GUIDING_ROUNDS,
    ROUNDS,
    STIFFNESSES,
    Stiffness,
    Straightened,
    Trust,
    folds,
    lattice_wider,
    straighten,
)

FINE = Grain(search_px=4)
MOST_FINE_PASSES = 3
SURE_PX = 0.25  # standard deviation of what lies how far apart, by features alone: far within reach of fine patches
NO_PLACES: FloatArray = np.zeros((0, 2))
UNEXPLAINED_PX = 0.1  # what a rigid solve leaves at nine patches in ten: above it local corrections are tried,
UNEXPLAINED_SIGMAS = 2.0  # if it is more than the patches' own noise, too (honest noise stays below 1.5 here)
HELPS = 0.6  # of the rigid solve's held-out error, in sigmas: what a correction must reach to be believed
ASKED_STEP_MM = 5.0  # between places at which the uncertainty of corrections is asked
FEWEST_JUDGES = 12  # held-out patches, all overlaps together, without which no correction is believed
WORTH_IT = 0.93  # of the held-out error of a stiffer one: what a less stiff correction must reach to be preferred


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
        self._sizes = {name: source.size for name, source in sources.items()}
        self._linked = {(p.scan_a, p.scan_b): p for p in feature_points}
        self._ties = tuple(ties)
        self._apart = apart
        self._remembered = remembered or Remembered(NO_STORE, {})
        self._anchor = anchor
        self._ppi = nominal_ppi
        self._pool = pool
        self._patches = OverlapPatches(
            sources, self._linked, self._ties, spots_px, encoding, self._remembered, pool, progress
        )

    def refine(self, poses: Mapping[str, Pose]) -> Refined:
        """Measure patches, solve, measure again around the better prediction; correct locally where that is needed."""
        found = self._refined(Maps(poses, {}, self._sizes))
        self._remembered.save()
        return found

    def _refined(self, maps: Maps) -> Refined:
        maps = self._roughly(maps)
        pairs = sorted(self._linked.keys() | overlapping(maps.poses, self._sizes, self._apart))
        grains = fine_grains(common_areas(maps.poses, self._sizes, pairs), FINE)
        looked, is_tried = Looked(), False
        for _ in range(MOST_FINE_PASSES):
            maps, looked = self._pass(maps, looked, grains, None)
            trial = self._trial(maps, looked.measured, None)
            if not is_tried and trial.p90_px > UNEXPLAINED_PX and trial.p90_sigmas > UNEXPLAINED_SIGMAS:
                corrected, is_tried = self._corrected(maps, pairs, looked.measured), True
                if corrected:
                    return corrected
            if not looked.lacks(pairs, maps.placed()):
                break
        return self._finished(maps, looked.measured, trial)

    def _roughly(self, maps: Maps) -> Maps:
        """The placement by features alone where these are sure of it, else by a few patches, too.

        Patches are measured in as many overlaps as hold every scan twice. Features of scans that lie differently turned
        are sure of what relief moved by a pixel or two.
        """
        turns = {graph.nearest_turn_deg(pose.matrix()) for pose in maps.poses.values()}
        if self._linked and len(turns) == 1 and not self._ties:
            found = solve(maps.poses, list(self._linked.values()), self._anchor)
            if max(found.joint_sigma_px(*pair, p.points_a) for pair, p in self._linked.items()) < SURE_PX:
                return Maps(found.poses, {}, self._sizes)
        held = graph.held_twice(self._sizes, common_areas(maps.poses, self._sizes, self._linked))
        measured = self._patches.measure(maps, dict.fromkeys(sorted(held), COARSE), is_first=True)
        beside = [points for pair, points in self._linked.items() if pair not in held and not points.is_stated]
        return self._solved_with(maps, [*self._patches.points(maps, measured), *beside], None)

    def _pass(
        self,
        maps: Maps,
        looked: Looked,
        grains: Mapping[Pair, Grain],
        stiffness: Stiffness | None,
        *,
        is_first: bool = False,
        uses_rim: bool = True,
    ) -> tuple[Maps, Looked]:
        """Measure the overlaps that were not `looked` at where they lie now, and solve with those that were, too."""
        now = maps.placed()
        wanted = {pair: grains[pair] for pair in looked.lacks(grains, now)}
        again = self._patches.measure(maps, wanted, is_first=is_first)
        searched = {pair: grain.search_px for pair, grain in wanted.items()}
        looked = looked.with_these(Look(one, now, searched[one.scan_a, one.scan_b]) for one in again)
        seen = looked.measured if uses_rim else [without_rim(one) for one in looked.measured]
        rounds = ROUNDS if uses_rim and not is_first else GUIDING_ROUNDS
        return self._solved_with(maps, self._patches.points(maps, seen), stiffness, rounds=rounds), looked

    def _densely(self, maps: Maps, pairs: Sequence[Pair], sparse: Sequence[Measured]) -> tuple[Maps, list[Measured]]:
        """Patches all over the overlaps, measured where ever better corrections put them; and these corrections.

        The first correction comes from the `sparse` patches, but where many were out of their search's reach. The rim
        has no say before what lies inside has told where to look for it. Where passes cross, patches lie close both
        ways.
        """
        quarters = {name: round(pose.angle_rad / (np.pi / 2)) for name, pose in maps.poses.items()}
        wide, close = (dense_grains(self._ppi, wider) for wider in (self._wider(maps), 1.0))
        plans = {(a, b): close if (quarters[a] - quarters[b]) % 2 else wide for a, b in pairs}
        first, near, last = ({pair: grains[k] for pair, grains in plans.items()} for k in range(3))
        flexible = STIFFNESSES[-1]
        now = maps.placed()
        looked = Looked().with_these(Look(one, now) for one in sparse if not is_lossy(one))
        maps, _ = self._pass(maps, looked, first, flexible, is_first=True)
        maps, looked = self._pass(maps, Looked(), near, flexible, uses_rim=False)
        maps, looked = self._pass(maps, looked, near, flexible)
        looked = looked.without(is_lossy)
        if looked.lacks(pairs, maps.placed()):
            maps, looked = self._pass(maps, looked, last, flexible)
        placed = maps.placed()
        return maps, [where_it_led(one, placed) for one in looked.measured]

    def _corrected(self, maps: Maps, pairs: Sequence[Pair], sparse: Sequence[Measured]) -> Refined | None:
        """The placement with local corrections, or None where they do not lower the held-out error."""
        maps, measured = self._densely(maps, pairs, sparse)
        trials = list(self._pool.map(lambda one: self._trial(maps, measured, one), (None, *STIFFNESSES)))
        best = trials[0]
        for one in trials[1:]:
            limit = HELPS if best.stiffness is None else WORTH_IT
            if one.is_sound and one.p90_sigmas < limit * best.p90_sigmas:
                best = one
        if best.stiffness is None:
            return None
        fit = CorrectionFit(best.stiffness.name, trials[0].p95_px, best.p95_px)
        return replace(self._finished(maps, measured, best), correction=fit)

    def _wider(self, maps: Maps) -> float:
        return lattice_wider(maps.poses, self._sizes, self._anchor, self._ppi)

    def _places(self, maps: Maps, used: Sequence[Points]) -> list[Points]:
        """Places all over each overlap whose points are used, to its very rim."""
        placed = maps.placed()
        step = round(px_from_mm(ASKED_STEP_MM, self._ppi))
        across = round(step * self._wider(maps))
        asked = []
        for one in used:
            a, b = placed[one.scan_a], placed[one.scan_b]
            groups = plan(a, b, Grain(0, step, (across, step)))
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

    def _straightened(
        self,
        maps: Maps,
        points: Sequence[Points],
        stiffness: Stiffness,
        *,
        rounds: Sequence[Trust] = ROUNDS,
        asked: Sequence[Points] = (),
    ) -> Straightened:
        fixed = maps.poses, maps.shifts, self._sizes, points, self._anchor, self._ppi, stiffness
        return straighten(*fixed, rounds=rounds, asked=asked, pool=self._pool)

    def _trial(self, maps: Maps, measured: Sequence[Measured], stiffness: Stiffness | None) -> _Trial:
        """Solve without the held-out patches, and look how far apart those are then."""
        chosen = self._patches.points(maps, measured, is_trial=True)
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
        self,
        maps: Maps,
        points: Sequence[Points],
        stiffness: Stiffness | None,
        *,
        feels_bed: bool = False,
        rounds: Sequence[Trust] = ROUNDS,
    ) -> Maps:
        if stiffness is None:
            solver = feel if feels_bed else solve
            return Maps(solver(maps.poses, points, self._anchor).poses, {}, self._sizes)
        found = self._straightened(maps, points, stiffness, rounds=rounds)
        return Maps(found.poses, found.shifts, self._sizes)

    def _finished(self, maps: Maps, measured: Sequence[Measured], trial: _Trial) -> Refined:
        """The solve with all patches, judged by the trial that has not seen some of them."""
        used = self._patches.points(maps, measured)
        rigid = (feel if trial.stiffness is None else solve)(maps.poses, used, self._anchor)
        final, uncertain = Maps(rigid.poses, {}, self._sizes), {}
        if trial.stiffness is not None:
            found = self._straightened(maps, used, trial.stiffness, asked=self._places(maps, used))
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
