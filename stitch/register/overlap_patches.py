"""The patches of every overlap under the present maps: measured, and offered to a solve."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass

import numpy as np

from stitch.imaging.affine import FloatArray, compose
from stitch.imaging.colour import Encoding
from stitch.imaging.placed_map import PlacedMap, Shifts
from stitch.model.geometry import Size
from stitch.model.scans import PixelSource
from stitch.progress import Progress
from stitch.register import graph
from stitch.register.apart import apart_px, held_distances, points_of
from stitch.register.patches import Measured, Side, measure
from stitch.register.plan import FEW_PATCHES, FEW_TOGETHER, Grain
from stitch.register.remembered import NEARLY_PX, ROUGHLY_PX, Remembered
from stitch.register.solve import Points, Pose

MIN_PATCHES = 6
COARSE = Grain(search_px=14, most=FEW_PATCHES, together=FEW_TOGETHER)
COARSE_ALL = Grain(search_px=14)  # where of a few patches too few speak
FEWEST_COARSE = 8
JOINS_PX = 1.0  # an overlap without a link of its own joins the solve when it agrees this well
JOINS_CONTRARY_SHARE = 0.25
NO_SPOTS: FloatArray = np.zeros((0, 3))

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


class OverlapPatches:
    """The scans, what links them already, and how their overlaps are measured."""

    def __init__(
        self,
        sources: Mapping[str, PixelSource],
        linked: Mapping[Pair, Points],
        ties: Sequence[Points],
        spots_px: Mapping[str, FloatArray],
        encoding: Encoding,
        remembered: Remembered,
        pool: Executor,
        progress: Progress,
    ) -> None:
        """`linked` : the features of every two scans that a link of its own joins; `ties` : made by hand."""
        self._sources = sources
        self._linked = linked
        self._ties = ties
        self._spots = spots_px
        self._encoding = encoding
        self._remembered = remembered
        self._pool = pool
        self._progress = progress

    def measure(self, maps: Maps, grains: Mapping[Pair, Grain], *, is_first: bool) -> list[Measured]:
        """Patches of every pair, those of an earlier run where they were looked for near enough to where they are now.

        `is_first` : of several passes, so that the scans are not yet known to lie where they are now.
        """
        if not grains:
            return []
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

    def points(self, maps: Maps, measured: Sequence[Measured], *, is_trial: bool = False) -> list[Points]:
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


def _joins(measured: Measured, off_px: FloatArray) -> bool:
    """Whether an overlap without a link of its own agrees so well that its patches may help."""
    agrees = len(off_px) >= MIN_PATCHES and float(np.median(off_px)) < JOINS_PX
    return agrees and measured.contrary_share < JOINS_CONTRARY_SHARE
