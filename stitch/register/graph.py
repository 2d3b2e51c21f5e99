"""How the scans hang together: groups that are linked, and a first placement by the strongest links."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from stitch.imaging.affine import FloatArray, compose, invert
from stitch.register.pairs import Pair


def groups(names: Iterable[str], links: Iterable[tuple[str, str]]) -> list[list[str]]:
    """Groups of linked scans, the largest first; within a group in the order of `names`."""
    names = list(names)
    parent = {name: name for name in names}
    for a, b in links:
        parent[_root(parent, a)] = _root(parent, b)
    found: dict[str, list[str]] = {}
    for name in names:
        found.setdefault(_root(parent, name), []).append(name)
    return sorted(found.values(), key=lambda g: (-len(g), names.index(g[0])))


def _root(parent: dict[str, str], name: str) -> str:
    while parent[name] != name:
        parent[name] = parent[parent[name]]
        name = parent[name]
    return name


def held_twice(names: Iterable[str], links: Mapping[tuple[str, str], float]) -> set[tuple[str, str]]:
    """The heaviest links that join all the scans `links` join, and join them once more without the first of them.

    Two spanning forests that share no link, each the heaviest there is (Kruskal 1956).
    """
    names = list(names)
    chosen: set[tuple[str, str]] = set()
    for _ in range(2):
        parent = {name: name for name in names}
        for a, b in sorted(links.keys() - chosen, key=lambda one: (-links[one], one)):
            if _root(parent, a) != _root(parent, b):
                parent[_root(parent, a)] = _root(parent, b)
                chosen.add((a, b))
    return chosen


def first_placement(
    anchor: str, pairs: Sequence[Pair], nominal_from_reduced: Mapping[str, FloatArray]
) -> dict[str, FloatArray]:
    """Map every scan's reduced px to a common frame, walking the links with most matches first (Prim 1957).

    `nominal_from_reduced` scales reduced px to px at the nominal resolution; the frame is the anchor's.
    """
    placed: dict[str, FloatArray] = {anchor: nominal_from_reduced[anchor]}
    left = sorted(pairs, key=lambda p: -p.candidate.match_count)
    while left:
        for pair in left:
            a, b = pair.scan_ids
            if a in placed and b not in placed:
                placed[b] = compose(placed[a], pair.candidate.a_from_b)
            elif b in placed and a not in placed:
                placed[a] = compose(placed[b], invert(pair.candidate.a_from_b))
            else:
                continue
            break
        else:
            break
        left.remove(pair)
    return placed


def most_central(names: Sequence[str], pairs: Sequence[Pair]) -> str:
    """The scan with most links, then most matches; the first of equals."""
    links = dict.fromkeys(names, 0)
    matches = dict.fromkeys(names, 0)
    for pair in pairs:
        for name in pair.scan_ids:
            links[name] += 1
            matches[name] += pair.candidate.match_count
    return max(names, key=lambda n: (links[n], matches[n], -names.index(n)))


def nearest_turn_deg(matrix: FloatArray) -> int:
    """The quarter turn (0, 90, 180, 270) nearest to a map's rotation."""
    angle = np.degrees(np.arctan2(matrix[1, 0] - matrix[0, 1], matrix[0, 0] + matrix[1, 1]))
    return int(round(angle / 90.0) * 90) % 360
