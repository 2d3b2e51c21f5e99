"""From a placement good to a few pixels to one good to a few hundredths: patches at full resolution, solved again."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from stitch.imaging.affine import FloatArray, compose, invert
from stitch.imaging.placed_map import PlacedMap, Shifts
from stitch.model.geometry import Size
from stitch.model.scans import PixelSource
from stitch.progress import Progress
from stitch.register import graph
from stitch.register.candidates import overlap_area_px
from stitch.register.patches import Measured, Side, measure
from stitch.register.plan import Grain
from stitch.register.solve import Points, Pose, Solution, residuals, solve

MIN_OVERLAP_FRACTION = 0.004  # overlaps below this share of the smaller scan are left alone
MIN_PATCHES = 6
COARSE = Grain(search_px=14)
FINE = Grain(search_px=4)
FINE_PASSES = 2
JOINS_PX = 1.0  # an overlap without a link of its own joins the solve when it agrees this well
JOINS_CONTRARY_SHARE = 0.25
NO_SPOTS: FloatArray = np.zeros((0, 3))


@dataclass(frozen=True, slots=True, eq=False)
class Refined:
    """The final maps and what each overlap had to say about them."""

    poses: Mapping[str, Pose]
    shifts: Mapping[str, Shifts | None]  # local corrections
    sigma_px: Mapping[str, float]
    measured: tuple[Measured, ...]  # of every overlap, last pass
    used: frozenset[tuple[str, str]]  # overlaps whose patches the solve used
    turns_deg: Mapping[str, int]
    joint_sigma_px: Mapping[tuple[str, str], float]  # how sure the two scans lie to each other at their patches


def refine(
    sources: Mapping[str, PixelSource],
    poses: Mapping[str, Pose],
    feature_points: Sequence[Points],
    anchor: str,
    spots_px: Mapping[str, FloatArray],
    pool: Executor,
    progress: Progress,
) -> Refined:
    """Measure patches, solve, measure again around the better prediction, solve again.

    `spots_px` : for each scan the dirt on the glass, (n, 3) of x, y, radius in scan px; scans left out have none.
    """
    linked = {(p.scan_a, p.scan_b): p for p in feature_points}
    everywhere = sorted(linked.keys() | _overlapping(sources, poses))
    passes = [(list(linked), COARSE)] + [(everywhere, FINE)] * FINE_PASSES
    solution = Solution(poses, {})
    with progress.task("Measuring overlaps", sum(len(todo) for todo, _ in passes)) as task:
        for todo, grain in passes:
            sides = _sides(sources, solution.poses, {}, spots_px)
            measured = []
            for one in pool.map(lambda pair: _measured(sides, pair, grain), todo):  # noqa: B023
                measured.append(one)
                task.advance()
            used = _chosen(solution.poses, measured, linked)
            solution = solve(solution.poses, used, anchor)
    turns = {name: graph.nearest_turn_deg(pose.matrix()) for name, pose in solution.poses.items()}
    names = frozenset((p.scan_a, p.scan_b) for p in used)
    sure = {(m.scan_a, m.scan_b): solution.joint_sigma_px(m.scan_a, m.scan_b, m.points_a) for m in measured}
    return Refined(solution.poses, dict.fromkeys(poses), solution.sigma_px, tuple(measured), names, turns, sure)


def _sides(
    sources: Mapping[str, PixelSource],
    poses: Mapping[str, Pose],
    shifts: Mapping[str, Shifts | None],
    spots_px: Mapping[str, FloatArray],
) -> dict[str, Side]:
    return {
        name: Side(
            name,
            source,
            PlacedMap(poses[name].matrix(), source.size, shifts.get(name)),
            spots_px.get(name, NO_SPOTS),
        )
        for name, source in sources.items()
    }


def _measured(sides: Mapping[str, Side], pair: tuple[str, str], grain: Grain) -> Measured:
    a, b = (sides[name] for name in pair)
    b_from_a = compose(b.placed.straight_from_canvas, a.placed.canvas_from_straight)
    found = measure(a, b, graph.nearest_turn_deg(b_from_a), grain)
    return found


def _overlapping(sources: Mapping[str, PixelSource], poses: Mapping[str, Pose]) -> set[tuple[str, str]]:
    found = set()
    for a, b in combinations(sources, 2):
        a_from_b = compose(invert(poses[a].matrix()), poses[b].matrix())
        common = overlap_area_px(sources[a].size, sources[b].size, a_from_b)
        smaller = min(_area(sources[a].size), _area(sources[b].size) * (poses[b].scale / poses[a].scale) ** 2)
        if common > MIN_OVERLAP_FRACTION * smaller:
            found.add((a, b))
    return found


def _area(size: Size) -> float:
    return float(size.width_px * size.height_px)


def _chosen(
    poses: Mapping[str, Pose], measured: Iterable[Measured], linked: Mapping[tuple[str, str], Points]
) -> list[Points]:
    """Points for the solve: patches where there are enough, else the pair's features."""
    chosen = []
    for one in measured:
        key = (one.scan_a, one.scan_b)
        points = _solve_points(one, poses[one.scan_a].scale)
        if len(points.points_a) >= MIN_PATCHES:
            off = np.hypot(*residuals(poses, points).T)
            if key in linked or (float(np.median(off)) < JOINS_PX and one.contrary_share < JOINS_CONTRARY_SHARE):
                chosen.append(points)
                continue
        if key in linked:
            chosen.append(linked[key])
    return chosen


def _solve_points(measured: Measured, scale: float) -> Points:
    use = ~measured.is_held_out
    return Points(
        measured.scan_a,
        measured.scan_b,
        measured.points_a[use],
        measured.points_b[use],
        measured.covariance_px2[use] * scale**2,
    )
