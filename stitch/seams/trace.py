"""Seams as lines: the borders between regions of the lattice, followed, smoothed and sampled evenly."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stitch.model.seams import LabelMap

Corner = tuple[int, int]  # (column, row) of a corner between cells
SMOOTHING_CORNERS = 5  # corners averaged, so that the line runs through the steps of the lattice


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """One connected run between the same two scans; labels in rising order, points (n, 2) in canvas px."""

    label_a: int
    label_b: int
    points_px: NDArray[np.float64]
    length_px: float


def traced(label_map: LabelMap, spacing_px: float) -> tuple[Trace, ...]:
    """Every seam of a label map, with points about `spacing_px` apart, in a fixed order."""
    found = []
    for (label_a, label_b), edges in sorted(_edges(label_map.cells).items()):
        for chain in _chains(edges):
            line = _smoothed(np.array(chain, dtype=np.float64) * label_map.cell_px - 0.5)
            points, length = _spaced(line, spacing_px)
            found.append(Trace(label_a, label_b, points, length))
    return tuple(found)


def _edges(cells: NDArray[np.uint8]) -> dict[tuple[int, int], list[tuple[Corner, Corner]]]:
    """Sides between cells of two scans, by pair of labels."""
    edges: dict[tuple[int, int], list[tuple[Corner, Corner]]] = defaultdict(list)
    left, right = cells[:, :-1], cells[:, 1:]
    for row, column in np.argwhere((left != right) & (left > 0) & (right > 0)).tolist():
        pair = sorted((int(left[row, column]), int(right[row, column])))
        edges[pair[0], pair[1]].append(((column + 1, row), (column + 1, row + 1)))
    above, below = cells[:-1], cells[1:]
    for row, column in np.argwhere((above != below) & (above > 0) & (below > 0)).tolist():
        pair = sorted((int(above[row, column]), int(below[row, column])))
        edges[pair[0], pair[1]].append(((column, row + 1), (column + 1, row + 1)))
    return edges


def _chains(edges: list[tuple[Corner, Corner]]) -> Iterator[list[Corner]]:
    """Runs of edges between ends and forks, then the closed loops that are left."""
    nexts: dict[Corner, list[Corner]] = defaultdict(list)
    for start, end in edges:
        nexts[start].append(end)
        nexts[end].append(start)
    ends = sorted(corner for corner, others in nexts.items() if len(others) != 2)
    for first in ends + sorted(nexts):
        while nexts[first]:
            yield _walk(nexts, first)


def _walk(nexts: dict[Corner, list[Corner]], first: Corner) -> list[Corner]:
    chain = [first]
    was_fork = {first}
    while nexts[chain[-1]]:
        here = chain[-1]
        if len(chain) > 1 and (len(nexts[here]) != 1 or here in was_fork):
            break
        step = nexts[here].pop(0)
        nexts[step].remove(here)
        chain.append(step)
    return chain


def _smoothed(corners: NDArray[np.float64]) -> NDArray[np.float64]:
    if len(corners) < SMOOTHING_CORNERS:
        return corners
    is_loop = bool(np.array_equal(corners[0], corners[-1]))
    half = SMOOTHING_CORNERS // 2
    if is_loop:
        padded = np.concatenate([corners[-1 - half : -1], corners, corners[1 : 1 + half]])
    else:
        padded = np.concatenate([np.repeat(corners[:1], half, 0), corners, np.repeat(corners[-1:], half, 0)])
    kernel = np.full(SMOOTHING_CORNERS, 1.0 / SMOOTHING_CORNERS)
    smooth = np.column_stack([np.convolve(padded[:, axis], kernel, mode="valid") for axis in (0, 1)])
    if not is_loop:
        smooth[[0, -1]] = corners[[0, -1]]
    return smooth


def _spaced(line: NDArray[np.float64], spacing_px: float) -> tuple[NDArray[np.float64], float]:
    """Points evenly spread along the line, both ends included, and the line's length."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    length = float(along[-1])
    count = max(2, round(length / spacing_px) + 1)
    at = np.linspace(0.0, length, count)
    return np.column_stack([np.interp(at, along, line[:, axis]) for axis in (0, 1)]), length
