"""Scans held against each other where they show the same: light and fine detail, in cells of a few millimetres."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from stitch.check.look import Look
from stitch.imaging.affine import FloatArray, apply, compose, invert

LEAST_CELLS = 6  # fewer common cells say nothing
LEAST_OF_GROUP = 3  # scans beside a larger group, to tell which of them differs
PLAIN_SHARE = 4.0  # times the noise: detail of a cell that is worth comparing
DARK, BRIGHT = 0.006, 0.9  # linear light compared
CODES_GAMMA = 2.2  # of usual profiles, near enough for a correction
RIM_CELLS = 1  # along a scan's border, where half a cell may hang over it


@dataclass(frozen=True, slots=True, eq=False)
class Side:
    """One scan to compare."""

    look: Look
    light: NDArray[np.float64]  # (rows, columns, 3) linear, of the same cells
    mm_from_scan: FloatArray  # (2, 3)
    is_paint: NDArray[np.bool_]  # (rows, columns): the lid beside a sheet holds a shadow that no two scans share


@dataclass(frozen=True, slots=True, eq=False)
class Shared:
    """What two scans show of the same places: one row for each cell."""

    scan_a: str
    scan_b: str
    detail: NDArray[np.float64]  # (n,) log of a's detail ÷ b's, as if they were exposed alike
    at_a: NDArray[np.float64]  # (n, 2) scan px
    at_b: NDArray[np.float64]
    light: NDArray[np.float64]  # (m, 3) log of a's light ÷ b's, of cells neither dark nor blown
    light_at_a: NDArray[np.float64]  # (m, 2) scan px
    light_at_b: NDArray[np.float64]


def compare_all(sides: Mapping[str, Side]) -> list[Shared]:
    """Every two scans with cells in common."""
    found = []
    for a, b in combinations(sides, 2):
        shared = _compared(a, b, sides[a], sides[b])
        if shared is not None:
            found.append(shared)
    return found


def _compared(name_a: str, name_b: str, a: Side, b: Side) -> Shared | None:
    """Both ways round, so that what interpolating smooths away falls out of the mean."""
    b_from_a = compose(invert(b.mm_from_scan), a.mm_from_scan)
    one = _from_cells(a, b, b_from_a)
    if one is None:
        return None
    other = _from_cells(b, a, invert(b_from_a))
    if other is None:
        return None
    detail, at_a, at_b, light, light_a, light_b = one
    back, back_b, back_a, back_light, back_light_b, back_light_a = other
    all_light = np.concatenate([light, -back_light])
    return Shared(
        name_a,
        name_b,
        np.concatenate([detail, -back]) - _from_light(all_light),
        np.concatenate([at_a, back_a]),
        np.concatenate([at_b, back_b]),
        all_light,
        np.concatenate([light_a, back_light_a]),
        np.concatenate([light_b, back_light_b]),
    )


def _from_light(light: NDArray[np.float64]) -> float:
    """What unlike exposure alone does to the log of detail's energy: codes grow with a root of the light."""
    return 2 / CODES_GAMMA * float(np.median(light)) if len(light) >= LEAST_CELLS else 0.0


def _from_cells(a: Side, b: Side, b_from_a: FloatArray) -> tuple[NDArray[np.float64], ...] | None:
    centres = a.look.centres()[RIM_CELLS:-RIM_CELLS, RIM_CELLS:-RIM_CELLS]
    if not centres.size:
        return None
    at_a = centres.reshape(-1, 2)
    at_b = apply(b_from_a, at_a)
    cells = (at_b - (b.look.cell_px - 1) / 2) / b.look.cell_px
    rows, columns = b.look.detail.shape
    inside = (cells >= RIM_CELLS).all(axis=1) & (cells <= (columns - 1 - RIM_CELLS, rows - 1 - RIM_CELLS)).all(axis=1)
    inside &= a.is_paint[RIM_CELLS:-RIM_CELLS, RIM_CELLS:-RIM_CELLS].reshape(-1)
    if inside.sum() < LEAST_CELLS:
        return None
    inner = np.s_[RIM_CELLS:-RIM_CELLS, RIM_CELLS:-RIM_CELLS]
    mine, noise_a = a.look.detail[inner].reshape(-1)[inside], a.look.noise
    theirs, noise_b = _at(b.look.detail, cells[inside]), b.look.noise
    speaks = np.maximum(mine / noise_a, theirs / noise_b) > PLAIN_SHARE
    ratio = np.log(np.maximum(mine, noise_a)) - np.log(np.maximum(theirs, noise_b))
    light_a, light_b = a.light[inner].reshape(-1, 3)[inside], _at(b.light, cells[inside])
    usable = ((light_a > DARK) & (light_a < BRIGHT) & (light_b > DARK) & (light_b < BRIGHT)).all(axis=1)
    return (
        ratio[speaks],
        at_a[inside][speaks],
        at_b[inside][speaks],
        np.log(light_a[usable]) - np.log(light_b[usable]),
        at_a[inside][usable],
        at_b[inside][usable],
    )


def _at(values: NDArray[np.float64], cells: NDArray[np.float64]) -> NDArray[np.float64]:
    x, y = (np.ascontiguousarray(cells[:, k], dtype=np.float32)[:, None] for k in (0, 1))
    found = cv2.remap(values.astype(np.float32), x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(found, np.float64).reshape(len(cells), *values.shape[2:])


def levels(
    names: Sequence[str], pairs: Sequence[tuple[str, str, float, int]], *, least: int = LEAST_CELLS
) -> dict[str, float]:
    """One level a scan from differences of pairs (a, b, a − b, cells), by least squares; a group's median level is 0.

    Groups are scans that pairs of `least` cells join: the largest, and every other of three scans or more, where the
    one that differs can be told. Scans outside are left out.
    """
    used = [pair for pair in pairs if pair[3] >= least]
    found: dict[str, float] = {}
    for group in _groups(names, used):
        found |= _levels_of(group, [pair for pair in used if pair[0] in group])
    return {name: found[name] for name in names if name in found}


def _levels_of(known: Sequence[str], used: Sequence[tuple[str, str, float, int]]) -> dict[str, float]:
    index = {name: k for k, name in enumerate(known)}
    rows = np.zeros((len(used) + 1, len(known)))
    right = np.zeros(len(used) + 1)
    for k, (a, b, difference, count) in enumerate(used):
        weight = np.sqrt(count)
        rows[k, index[a]], rows[k, index[b]], right[k] = weight, -weight, weight * difference
    rows[-1] = 1e-3
    solved = np.linalg.lstsq(rows, right, rcond=None)[0]
    return dict(zip(known, (solved - np.median(solved)).tolist(), strict=True))


def _groups(names: Sequence[str], pairs: Sequence[tuple[str, str, float, int]]) -> list[list[str]]:
    """Sets of scans that pairs join, each in the order of `names`: the largest, and others that are no mere pairs."""
    index = {name: k for k, name in enumerate(names)}
    ends = np.array([(index[a], index[b]) for a, b, *_ in pairs], dtype=np.intp).reshape(-1, 2)
    graph = coo_array((np.ones(len(ends)), (ends[:, 0], ends[:, 1])), shape=(len(names), len(names)))
    count, label = connected_components(graph, directed=False)
    found = [[name for name in names if label[index[name]] == k] for k in range(count)]
    largest = max(map(len, found), default=0)
    return [group for group in found if len(group) >= LEAST_OF_GROUP or len(group) == largest > 1]
