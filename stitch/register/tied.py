"""Ties made by hand as links and as points of the solve, beside those that were found."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from stitch.imaging.affine import FloatArray, apply, compose, invert, px_from_mm, rigid
from stitch.model.ties import SureTie, swapped
from stitch.register import graph
from stitch.register.agreement import Agreement
from stitch.register.candidates import Candidate, overlap_area_px
from stitch.register.fit import Scale, similarity
from stitch.register.pairs import Pair
from stitch.register.reduced import Reduced
from stitch.register.solve import Points

TURN_SIGMA_RAD = np.radians(0.5)  # how a painter lays a piece on the glass, beside the quarter turn she knows of


@dataclass(frozen=True, slots=True, eq=False)
class Tied:
    """What was tied by hand: links of scans that have no other, and points for the solve."""

    pairs: tuple[Pair, ...]  # each linked by its ties alone
    points: tuple[Points, ...]  # of every two scans that have ties; those of `pairs` first and in their order


def tie_links(
    names: Sequence[str],
    found: Sequence[Pair],
    ties: Sequence[SureTie],
    reduced: Mapping[str, Reduced],
    scales: Mapping[str, float],
    nominal_ppi: float,
) -> Tied:
    """Links by ties for pairs that were not `found`, and the ties as points whose covariance is stated.

    Two ties hold turn and position. One holds the position; it links two scans only where nothing else does, and then
    the turn is the one she saw them at. `scales` : size of each scan's px in nominal px.
    """
    own = {pair.scan_ids for pair in found}
    linked, points, loose = [], [], []
    joined = [pair.scan_ids for pair in found]
    for (a, b), some in sorted(_by_pair(names, ties).items(), key=lambda item: -len(item[1])):
        told = _points(a, b, some, nominal_ppi)
        is_joined = len({a, b} & set(_group_of(a, names, joined))) == 2
        if (a, b) in own or (len(some) == 1 and is_joined):
            loose.append(told)
            continue
        b_scale = scales[b] / scales[a]
        a_from_b = _a_from_b(told, some, b_scale)
        if len(some) == 1:
            told = _with_turn(told, a_from_b, scales[a])
        linked.append(_pair(reduced[a], reduced[b], told, a_from_b, len(some)))
        points.append(told)
        joined.append((a, b))
    return Tied(tuple(linked), (*points, *loose))


def _by_pair(names: Sequence[str], ties: Sequence[SureTie]) -> dict[tuple[str, str], list[SureTie]]:
    """The ties of every two scans, the first of `names` as scan a."""
    found: dict[tuple[str, str], list[SureTie]] = {}
    for one in ties:
        is_swapped = names.index(one.tie.scan_a) > names.index(one.tie.scan_b)
        turn = None if one.turn_deg is None else -one.turn_deg % 360
        told = replace(one, tie=swapped(one.tie), turn_deg=turn) if is_swapped else one
        found.setdefault((told.tie.scan_a, told.tie.scan_b), []).append(told)
    return found


def _group_of(name: str, names: Sequence[str], joined: Sequence[tuple[str, str]]) -> list[str]:
    return next(group for group in graph.groups(names, joined) if name in group)


def _points(a: str, b: str, ties: Sequence[SureTie], nominal_ppi: float) -> Points:
    sigma = np.array([px_from_mm(one.sigma_mm, nominal_ppi) / np.sqrt(one.tie.weight) for one in ties])
    return Points(
        a,
        b,
        np.array([one.tie.a_px for one in ties]),
        np.array([one.tie.b_px for one in ties]),
        np.eye(2) * sigma[:, None, None] ** 2,
        is_stated=True,
    )


def _a_from_b(points: Points, ties: Sequence[SureTie], b_scale: float) -> FloatArray:
    """Scan a px from scan b px: the rigid fit of the ties, or one tie and the turn it was seen at."""
    grow = np.diag([b_scale, b_scale, 1.0])[:2]
    if len(ties) == 1:
        turned = compose(rigid(-np.radians(ties[0].turn_deg or 0), 0.0, 0.0), grow)
        shift = points.points_a[0] - apply(turned, points.points_b[0])
        return np.column_stack([turned[:, :2], shift])
    weights = 1 / points.covariance_px2[:, 0, 0]
    return compose(similarity(points.points_b * b_scale, points.points_a, Scale.FIXED, weights), grow)


def _with_turn(points: Points, a_from_b: FloatArray, scale_a: float) -> Points:
    """One tie as two places that hold its position as it does, and the turn to TURN_SIGMA_RAD."""
    variance = float(points.covariance_px2[0, 0, 0])
    arm = np.array([np.sqrt(variance) / TURN_SIGMA_RAD / scale_a, 0.0])
    ends = points.points_a + np.array([-arm, arm])
    return replace(
        points,
        points_a=ends,
        points_b=apply(invert(a_from_b), ends),
        covariance_px2=np.broadcast_to(np.eye(2) * 2 * variance, (2, 2, 2)),
    )


def _pair(a: Reduced, b: Reduced, points: Points, a_from_b: FloatArray, count: int) -> Pair:
    inner = compose(invert(a.scan_from_reduced), compose(a_from_b, b.scan_from_reduced))
    common = overlap_area_px(a.size, b.size, inner)
    smaller = min(a.size.width_px * a.size.height_px, b.size.width_px * b.size.height_px)
    candidate = Candidate(
        a.scan_id,
        b.scan_id,
        -graph.nearest_turn_deg(inner) % 360,
        inner,
        apply(invert(a.scan_from_reduced), points.points_a),
        apply(invert(b.scan_from_reduced), points.points_b),
        1.0,
        count,
        common / smaller,
    )
    return Pair(candidate, Agreement(0, 0, 0.0), tie_count=count)
