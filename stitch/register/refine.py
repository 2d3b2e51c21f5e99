"""From a placement good to a few pixels to one good to a few hundredths: patches at full resolution, solved again."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from stitch.imaging.affine import FloatArray, compose, invert
from stitch.model.geometry import Size
from stitch.model.scans import PixelSource
from stitch.progress import Progress
from stitch.register import graph
from stitch.register.candidates import overlap_area_px
from stitch.register.patches import COARSE_SEARCH_PX, FINE_SEARCH_PX, Measured, PairTask, measure
from stitch.register.solve import Points, Pose, Solution, residuals, solve

MIN_OVERLAP_FRACTION = 0.004  # overlaps below this share of the smaller scan are left alone
MIN_PATCHES = 6
FINE_PASSES = 2
JOINS_PX = 1.0  # an overlap without a link of its own joins the solve when it agrees this well
JOINS_CONTRARY_SHARE = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class Refined:
    """The final poses and what each overlap had to say about them."""

    poses: Mapping[str, Pose]
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
    pool: Executor,
    progress: Progress,
) -> Refined:
    """Measure patches, solve, measure again around the better prediction, solve again."""
    linked = {(p.scan_a, p.scan_b): p for p in feature_points}
    everywhere = _overlapping(sources, poses)
    passes = [(list(linked), COARSE_SEARCH_PX)] + [(sorted(linked.keys() | everywhere), FINE_SEARCH_PX)] * FINE_PASSES
    solution = Solution(poses, {})
    with progress.task("Measuring overlaps", sum(len(todo) for todo, _ in passes)) as task:
        for todo, search_px in passes:
            jobs = [_task(solution.poses, a, b, search_px) for a, b in todo]
            measured = []
            for one in pool.map(lambda job: measure(sources[job.scan_a], sources[job.scan_b], job), jobs):
                measured.append(one)
                task.advance()
            used = _chosen(solution.poses, measured, linked)
            solution = solve(solution.poses, used, anchor)
    turns = {name: graph.nearest_turn_deg(pose.matrix()) for name, pose in solution.poses.items()}
    names = frozenset((p.scan_a, p.scan_b) for p in used)
    sure = {(m.scan_a, m.scan_b): solution.joint_sigma_px(m.scan_a, m.scan_b, m.points_a) for m in measured}
    return Refined(solution.poses, solution.sigma_px, tuple(measured), names, turns, sure)


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


def _task(poses: Mapping[str, Pose], a: str, b: str, search_px: int) -> PairTask:
    b_from_a = compose(invert(poses[b].matrix()), poses[a].matrix())
    turn = graph.nearest_turn_deg(b_from_a)
    return PairTask(a, b, _rows(b_from_a), turn, search_px)


def _rows(matrix: FloatArray) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
    (a, b, c), (d, e, f) = matrix.tolist()
    return (a, b, c), (d, e, f)


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
