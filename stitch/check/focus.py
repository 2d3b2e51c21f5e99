"""Soft scans, soft edges and sharpened scans, from fine detail compared in overlaps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stitch.check.compare import LEAST_CELLS, Shared, levels
from stitch.model.geometry import Size

SOFT_LOG = -0.6  # of detail's energy: three quarters of its contrast
SHARPENED_LOG = 0.7
EDGE_LOG = -0.7
LEAST_OF_SIDE = 0.3  # of its length
SIDES = ("left", "top", "right", "bottom")


@dataclass(frozen=True, slots=True)
class SoftEdge:
    """A side of one scan along which it shows less detail than its neighbour, though not elsewhere."""

    scan_id: str
    side: str  # of the scan as it is shown
    contrast: float  # of fine detail against the neighbour's, 1 is alike
    is_only_view: bool = False  # nothing else of the scan could be compared: all of it may be soft


def sharpness(names: Sequence[str], shared: Sequence[Shared]) -> dict[str, float]:
    """Log of each scan's detail against that of most scans."""
    pairs = [(s.scan_a, s.scan_b, float(np.median(s.detail)), len(s.detail)) for s in shared if len(s.detail)]
    return levels(names, pairs)


def soft_scans(sharp: Mapping[str, float], shared: Sequence[Shared], sizes: Mapping[str, Size]) -> list[str]:
    """Scans softer than most, and than each of their neighbours, along more than one side."""
    soft = [name for name, level in sharp.items() if level < SOFT_LOG]
    soft = [name for name in soft if max(_over(name, shared, sizes), default=0.0) < SOFT_LOG / 2]
    return [name for name in soft if len(_sides_seen(name, shared, sizes)) > 1]


def _sides_seen(name: str, shared: Sequence[Shared], sizes: Mapping[str, Size]) -> set[int]:
    """Sides of a scan (numbers of SIDES) along which it can be compared."""
    found = set()
    for pair in shared:
        if name in (pair.scan_a, pair.scan_b):
            at = pair.at_a if pair.scan_a == name else pair.at_b
            sides = border(at, sizes[name])[1]
            found |= {side for side in range(len(SIDES)) if _is_told(at[sides == side], side, sizes[name])}
    return found


def _is_told(at: NDArray[np.float64], side: int, size: Size) -> bool:
    return len(at) >= LEAST_CELLS and _is_field(at, side, size)


def sharpened_scans(sharp: Mapping[str, float], shared: Sequence[Shared], sizes: Mapping[str, Size]) -> list[str]:
    """Scans with more detail than the painting gave each of the others; with two scans alone nobody can tell."""
    if len(sharp) < 3:
        return []
    more = [name for name, level in sharp.items() if level > SHARPENED_LOG]
    return [name for name in more if min(_over(name, shared, sizes), default=0.0) > SHARPENED_LOG / 2]


def _over(name: str, shared: Sequence[Shared], sizes: Mapping[str, Size]) -> list[float]:
    """Log of a scan's detail against each neighbour's, in either half of what they share: a soft edge is in one."""
    over = []
    for pair in shared:
        if name not in (pair.scan_a, pair.scan_b):
            continue
        detail = pair.detail if pair.scan_a == name else -pair.detail
        near_a, near_b = border(pair.at_a, sizes[pair.scan_a])[0], border(pair.at_b, sizes[pair.scan_b])[0]
        halves = (near_a < near_b, near_a >= near_b)
        over += [float(np.median(detail[half])) for half in halves if half.sum() >= LEAST_CELLS]
    return over


def soft_edges(shared: Sequence[Shared], sharp: Mapping[str, float], sizes: Mapping[str, Size]) -> list[SoftEdge]:
    """Each overlap's cells along a side: those nearer the scan's own border than its neighbour's, and all of them."""
    found: dict[tuple[str, str], float] = {}
    for pair in shared:
        if pair.scan_a not in sharp or pair.scan_b not in sharp:
            continue
        near_a, side_a = border(pair.at_a, sizes[pair.scan_a])
        near_b, side_b = border(pair.at_b, sizes[pair.scan_b])
        for name, detail, sides, mine, at in (
            (pair.scan_a, pair.detail, side_a, near_a < near_b, pair.at_a),
            (pair.scan_b, -pair.detail, side_b, near_b < near_a, pair.at_b),
        ):
            for number, side in enumerate(SIDES):
                for here in (mine & (sides == number), sides == number):
                    if not _is_told(at[here], number, sizes[name]):
                        continue
                    level = float(np.median(detail[here])) + _surplus(pair, name, sharp)
                    if level < EDGE_LOG:
                        found[name, side] = min(level, found.get((name, side), 0.0))
    soft = set(soft_scans(sharp, shared, sizes))
    only = {name for name, _ in found if len(_sides_seen(name, shared, sizes)) == 1}
    edges = [SoftEdge(name, side, float(np.exp(level / 2)), name in only) for (name, side), level in found.items()]
    return [edge for edge in edges if edge.scan_id not in soft]


def _surplus(pair: Shared, name: str, sharp: Mapping[str, float]) -> float:
    """What the neighbour was sharpened by: that is no softness of this scan."""
    level = sharp[pair.scan_b if name == pair.scan_a else pair.scan_a]
    return level if level > SHARPENED_LOG else 0.0


def runs_along(at: NDArray[np.float64], side: int, size: Size) -> bool:
    """Whether cells at scan px (n, 2) lie along most of a side (a number of SIDES): a common corner says nothing."""
    along, length = (at[:, 1], size.height_px) if SIDES[side] in ("left", "right") else (at[:, 0], size.width_px)
    return bool(np.ptp(along) >= LEAST_OF_SIDE * length)


def _is_field(at: NDArray[np.float64], side: int, size: Size) -> bool:
    """Whether cells lie along most of a side, in rows: in a single one two scans may be looked at in other lines."""
    across = at[:, 0] if SIDES[side] in ("left", "right") else at[:, 1]
    return runs_along(at, side, size) and bool(np.ptp(across) > 0)


def border(at: NDArray[np.float64], size: Size) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
    """Distance to the nearest border, and which side it is (in the order of SIDES)."""
    x, y = at.T
    far = np.stack([x, y, size.width_px - 1 - x, size.height_px - 1 - y], axis=1)
    return far.min(axis=1), far.argmin(axis=1)
