"""Scans that fit each other at several places: does only one of them go together with all the other scans?

A repeated pattern lets a pair lie in several ways. Seen from the whole set most of them fall away, because they lay
other scans over each other that show different things there. Only when a single way is left is it taken.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from stitch.imaging.affine import FloatArray, apply, compose, corners, invert
from stitch.register import agreement, graph
from stitch.register.agreement import Agreement
from stitch.register.candidates import Candidate, overlap_area_px
from stitch.register.pairs import Doubt, Pair
from stitch.register.reduced import Reduced

SAME_WAY_REDUCED_PX = 25.0  # at the corners of the scans: one way of laying a group, told by two pairs
LEAST_OVERLAP_FRACTION = 0.04
COMPARABLE_BLOCKS = 12
AGREES_FRACTION = 0.5
CONTRADICTS_FRACTION = 0.2
DECIDED = 0.9  # probability of a fit that only the whole set of scans could choose


@dataclass(frozen=True, slots=True, eq=False)
class _Way:
    """One way of laying group b against group a."""

    a_from_b: FloatArray  # frame of group a from frame of group b
    fits: tuple[Pair, ...]


def decide(
    names: Sequence[str], pairs: Sequence[Pair], doubts: Sequence[Doubt], reduced: Mapping[str, Reduced],
    pitch: Mapping[str, float],
) -> tuple[list[Pair], list[Doubt]]:  # fmt: skip
    """The pairs, with doubtful ones added where the set of all scans leaves one way only; and the doubts that remain.

    `pitch` is the size of each scan's reduced px in one common unit.
    """
    kept, left = list(pairs), list(doubts)
    while left:
        groups = graph.groups(names, [pair.scan_ids for pair in kept])
        number = {name: k for k, group in enumerate(groups) for name in group}
        between: dict[tuple[int, int], list[Doubt]] = {}
        for doubt in left:
            ends = sorted((number[doubt.scan_a], number[doubt.scan_b]))
            if ends[0] != ends[1]:
                between.setdefault((ends[0], ends[1]), []).append(doubt)
        for (i, j), asked in sorted(between.items(), key=lambda item: -len(item[1])):
            chosen = _only_way(groups[i], groups[j], kept, asked, reduced, pitch)
            if chosen:
                kept += chosen
                left = [doubt for doubt in left if doubt not in asked]
                break
        else:
            break
    return kept, left


def _only_way(
    first: Sequence[str], second: Sequence[str], pairs: Sequence[Pair], doubts: Sequence[Doubt],
    reduced: Mapping[str, Reduced], pitch: Mapping[str, float],
) -> list[Pair]:  # fmt: skip
    maps_a, maps_b = (_frames(group, pairs, pitch) for group in (first, second))
    ways = _ways(maps_a, maps_b, doubts, reduced)
    possible = [way for way in ways if not _is_contradicted(way, maps_a, maps_b, reduced)]
    if len(possible) != 1 or len(ways) < 2:
        return []
    return [replace(fit, probability=DECIDED) for fit in possible[0].fits]


def _frames(group: Sequence[str], pairs: Sequence[Pair], pitch: Mapping[str, float]) -> dict[str, FloatArray]:
    steps = {name: np.diag([pitch[name], pitch[name], 1.0])[:2] for name in group}
    inside = [pair for pair in pairs if pair.scan_ids[0] in steps and pair.scan_ids[1] in steps]
    return graph.first_placement(group[0], inside, steps)


def _ways(
    maps_a: Mapping[str, FloatArray], maps_b: Mapping[str, FloatArray], doubts: Sequence[Doubt],
    reduced: Mapping[str, Reduced],
) -> list[_Way]:  # fmt: skip
    ways: list[_Way] = []
    for fit in (fit for doubt in doubts for fit in doubt.fits):
        a, b = fit.scan_ids
        if a in maps_a:
            way = compose(compose(maps_a[a], fit.candidate.a_from_b), invert(maps_b[b]))
        else:
            way = compose(compose(maps_a[b], invert(fit.candidate.a_from_b)), invert(maps_b[a]))
        seen = b if b in maps_b else a
        ends = apply(maps_b[seen], corners(reduced[seen].size.width_px, reduced[seen].size.height_px))
        tolerance = SAME_WAY_REDUCED_PX * float(np.hypot(*maps_b[seen][:, 0]))
        for k, known in enumerate(ways):
            if np.hypot(*(apply(known.a_from_b, ends) - apply(way, ends)).T).max() < tolerance:
                ways[k] = replace(known, fits=(*known.fits, fit))
                break
        else:
            ways.append(_Way(way, (fit,)))
    return ways


def _is_contradicted(
    way: _Way, maps_a: Mapping[str, FloatArray], maps_b: Mapping[str, FloatArray], reduced: Mapping[str, Reduced]
) -> bool:
    """Whether any two scans that come to lie over each other show different things."""
    for a, map_a in maps_a.items():
        for b, map_b in maps_b.items():
            agreed = agreement_at(reduced[a], reduced[b], compose(invert(map_a), compose(way.a_from_b, map_b)))
            comparable = agreed is not None and agreed.block_count >= COMPARABLE_BLOCKS
            if agreed is not None and comparable and agreed.fraction < CONTRADICTS_FRACTION:
                return True
    return False


def agreement_at(a: Reduced, b: Reduced, a_from_b: FloatArray) -> Agreement | None:
    """How the two scans agree where a map lays them; None where they then share too little."""
    area = overlap_area_px(a.size, b.size, a_from_b)
    if area < LEAST_OVERLAP_FRACTION * a.size.width_px * a.size.height_px:
        return None
    none = np.zeros((0, 2))
    turn = -graph.nearest_turn_deg(a_from_b) % 360
    return agreement.check(a, b, Candidate(a.scan_id, b.scan_id, turn, a_from_b, none, none, 0.0, 0, 0.0))
