"""Rigid placements that many feature matches of a pair agree on (Fischler and Bolles, CACM 24(6), 1981)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import apply, corners, invert, scale_of
from stitch.model.geometry import Size
from stitch.register.features import Features
from stitch.register.fit import Scale, similarity
from stitch.register.matching import Matches

FloatArray = NDArray[np.float64]

TRIALS = 400
INLIER_PX = 3.0  # reduced px
SCALE_SLACK = 0.03  # the scans' scales are known; a candidate further off than this is no placement
ANGLE_SLACK_DEG = 6.0
SAME_PLACE_FRACTION = 0.92  # an overlap above this is what the bed's own frame and dust vote for: asked more of
MIN_MATCHES = 8
LEAST_LIKENESS = 0.8  # product of two unit descriptors of the same thing
CANDIDATES_PER_TURN = 3


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """One way two scans may lie: `a_from_b` in reduced px of a and b."""

    scan_a: str
    scan_b: str
    turn_deg: int
    a_from_b: FloatArray
    points_a: FloatArray  # (n, 2) reduced px of the matches that agree
    points_b: FloatArray
    match_ratio: float  # agreeing matches ÷ features of the poorer scan inside the overlap
    putative_count: int  # matches of this turn with both ends inside the overlap
    overlap_fraction: float  # of the smaller scan

    @property
    def match_count(self) -> int:
        """Number of matches that agree."""
        return len(self.points_a)

    @property
    def is_same_place(self) -> bool:
        """Whether the scans would show all but the same part of the painting."""
        return self.overlap_fraction >= SAME_PLACE_FRACTION


def minimum_matches(putative_count: int) -> float:
    """Matches needed before chance is ruled out: 8.0 + 0.3·n (Brown and Lowe, IJCV 74(1), 59–73, 2007)."""
    return 8.0 + 0.3 * putative_count


def find(
    a: Features, b: Features, size_a: Size, size_b: Size, matches: Matches, rng: np.random.Generator, scale: float = 1.0
) -> list[Candidate]:
    """The placements that the matches of one turn vote for, best first (at most three).

    `scale` is the size of a reduced px of b in reduced px of a.
    """
    left = np.arange(len(matches.index_a))
    found: list[Candidate] = []
    for _ in range(CANDIDATES_PER_TURN):
        if len(left) < MIN_MATCHES:
            break
        p, q = a.points[matches.index_a[left]], b.points[matches.index_b[left]] * scale
        inliers, a_from_b = _consensus(p, q, matches.turn_deg, rng)
        if inliers is None or inliers.sum() < MIN_MATCHES:
            break
        chosen = left[inliers]
        a_from_b = a_from_b @ np.diag([scale, scale, 1.0])
        candidate = _describe(a, b, size_a, size_b, matches, chosen, a_from_b)
        left = left[~inliers]
        found.append(candidate)
    return sorted(found, key=lambda c: -c.match_ratio)


def _consensus(
    p: FloatArray, q: FloatArray, turn_deg: int, rng: np.random.Generator
) -> tuple[NDArray[np.bool_] | None, FloatArray]:
    count = len(p)
    first = rng.integers(0, count, TRIALS)
    second = rng.integers(0, count, TRIALS)
    dp, dq = p[second] - p[first], q[second] - q[first]
    length_p, length_q = np.hypot(*dp.T), np.hypot(*dq.T)
    angle = np.arctan2(dp[:, 1], dp[:, 0]) - np.arctan2(dq[:, 1], dq[:, 0])
    expected = -np.radians(turn_deg)
    off = np.abs((angle - expected + np.pi) % (2 * np.pi) - np.pi)
    fine = (length_p > 20) & (np.abs(length_p / np.maximum(length_q, 1e-9) - 1) < SCALE_SLACK)
    fine &= off < np.radians(ANGLE_SLACK_DEG)
    if not fine.any():
        return None, np.eye(2, 3)
    first, angle = first[fine], angle[fine]
    c, s = np.cos(angle)[:, None], np.sin(angle)[:, None]
    x = p[first, 0][:, None] + c * (q[:, 0] - q[first, 0][:, None]) - s * (q[:, 1] - q[first, 1][:, None])
    y = p[first, 1][:, None] + s * (q[:, 0] - q[first, 0][:, None]) + c * (q[:, 1] - q[first, 1][:, None])
    close = (x - p[:, 0]) ** 2 + (y - p[:, 1]) ** 2 < INLIER_PX**2
    best = int(close.sum(axis=1).argmax())
    return _polished(p, q, close[best])


def _polished(p: FloatArray, q: FloatArray, inliers: NDArray[np.bool_]) -> tuple[NDArray[np.bool_] | None, FloatArray]:
    a_from_b = np.eye(2, 3)
    for _ in range(4):
        if inliers.sum() < MIN_MATCHES:
            return None, a_from_b
        a_from_b = similarity(q[inliers], p[inliers], Scale.FIXED)
        inliers = ((apply(a_from_b, q) - p) ** 2).sum(axis=1) < INLIER_PX**2
    return inliers, a_from_b


def _describe(
    a: Features,
    b: Features,
    size_a: Size,
    size_b: Size,
    matches: Matches,
    chosen: NDArray[np.intp],
    a_from_b: FloatArray,
) -> Candidate:
    b_from_a = invert(a_from_b)
    a_inside = _inside(apply(b_from_a, a.points), size_b)
    b_inside = _inside(apply(a_from_b, b.points), size_a)
    poorer = max(1, min(int(a_inside.sum()), int(b_inside.sum())))
    putative = a_inside[matches.index_a] & b_inside[matches.index_b]
    overlap_px = overlap_area_px(size_a, size_b, a_from_b)
    area_b = size_b.width_px * size_b.height_px * scale_of(a_from_b) ** 2
    smaller = min(size_a.width_px * size_a.height_px, area_b)
    return Candidate(
        a.scan_id,
        b.scan_id,
        matches.turn_deg,
        a_from_b,
        a.points[matches.index_a[chosen]],
        b.points[matches.index_b[chosen]],
        len(chosen) / poorer,
        int(putative.sum()),
        overlap_px / smaller,
    )


def supported(a: Features, b: Features, size_a: Size, size_b: Size, turn_deg: int, a_from_b: FloatArray) -> Candidate:
    """The placement of a map that was not found by matches, with the features that lie and look alike under it."""
    there = apply(a_from_b, b.points)
    use_a = np.flatnonzero(_inside(apply(invert(a_from_b), a.points), size_b))
    use_b = np.flatnonzero(_inside(there, size_a))
    index_a, index_b = np.zeros(0, np.intp), np.zeros(0, np.intp)
    if len(use_a) and len(use_b):
        off = np.hypot(*(a.points[use_a, None] - there[None, use_b]).transpose(2, 0, 1))
        likeness = np.where(off < INLIER_PX, a.descriptors[use_a] @ b.descriptors[use_b].T, 0.0)
        nearest = likeness.argmax(axis=1)
        rows = np.flatnonzero(likeness[np.arange(len(use_a)), nearest] > LEAST_LIKENESS)
        index_a, index_b = use_a[rows], use_b[nearest[rows]]
    whole = Matches(turn_deg, index_a, index_b)
    return _describe(a, b, size_a, size_b, whole, np.arange(len(index_a)), a_from_b)


def _inside(points: FloatArray, size: Size) -> NDArray[np.bool_]:
    x, y = points.T
    return (x > 0) & (y > 0) & (x < size.width_px - 1) & (y < size.height_px - 1)


def overlap_area_px(size_a: Size, size_b: Size, a_from_b: FloatArray) -> float:
    """Area common to both grids, in px² of a (Sutherland and Hodgman, CACM 17(1), 1974)."""
    polygon = apply(a_from_b, corners(size_b.width_px, size_b.height_px))
    for axis, limit, sign in (
        (0, -0.5, 1),
        (0, size_a.width_px - 0.5, -1),
        (1, -0.5, 1),
        (1, size_a.height_px - 0.5, -1),
    ):
        polygon = _cut(polygon, axis, limit, sign)
        if len(polygon) < 3:
            return 0.0
    x, y = polygon.T
    return abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1))) / 2


def _cut(polygon: FloatArray, axis: int, limit: float, sign: int) -> FloatArray:
    kept = []
    for p, q in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
        dp, dq = sign * (p[axis] - limit), sign * (q[axis] - limit)
        if dp >= 0:
            kept.append(p)
        if (dp >= 0) != (dq >= 0):
            kept.append(p + (q - p) * (dp / (dp - dq)))
    return np.array(kept).reshape(-1, 2)
