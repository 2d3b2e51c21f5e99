"""Which scans are worth comparing at full price: a cheap vote by a few hundred features of each scan.

All pairs at full price grow with the square of the number of scans. The vote is far cheaper: the strongest features,
spread over the scan, with descriptors projected onto their few strongest principal axes (Ke and Sukthankar, CVPR 2004,
on such descriptors), mutual nearest neighbours, and a count of how many agree on one shift.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stitch.model.geometry import Size
from stitch.register.features import Features
from stitch.register.matching import ANGLE_SLACK_DEG, SIZE_RATIO, TURNS_DEG

CELLS = 8  # along each side of a scan
STRONGEST_PER_CELL = 10
AXES = 32
AXES_FROM_COUNT = 20_000  # descriptors that the axes are found from, at most
BIN_SHARE = 0.04  # of the longer side: a small rotation and a shift spread over bins this wide


@dataclass(frozen=True, slots=True, eq=False)
class Sketch:
    """A few hundred features of one scan, with short descriptors, in reduced px."""

    points: NDArray[np.float64]  # (n, 2)
    angles_deg: NDArray[np.float32]
    sizes_px: NDArray[np.float32]
    descriptors: NDArray[np.float32]  # (n, AXES), unit length
    long_side_px: int


def sketches(features: Sequence[Features], sizes: Sequence[Size]) -> list[Sketch]:
    """The sketch of every scan, all on the same principal axes."""
    few = [one.only(_spread_out(one, size)) for one, size in zip(features, sizes, strict=True)]
    pooled = np.concatenate([one.descriptors for one in few])
    if not len(pooled):
        pooled = np.zeros((1, 128), np.float32)
    pooled = pooled[:: -(-len(pooled) // AXES_FROM_COUNT)]
    middle = pooled.mean(axis=0)
    _, axes = np.linalg.eigh(np.cov((pooled - middle).T, bias=True))
    project = axes[:, -AXES:].astype(np.float32)
    return [
        Sketch(one.points, one.angles_deg, one.sizes_px, _unit((one.descriptors - middle) @ project), _long(size))
        for one, size in zip(few, sizes, strict=True)
    ]


def vote(a: Sketch, b: Sketch, scale: float = 1.0) -> float:
    """How far the matches on one shift exceed what chance gives, in standard deviations of chance.

    `scale` is the size of a reduced px of b in reduced px of a.
    """
    if min(len(a.points), len(b.points)) < 2:
        return 0.0
    likeness = a.descriptors @ b.descriptors.T
    best_b, best_a = likeness.argmax(axis=1), likeness.argmax(axis=0)
    rows = np.flatnonzero(best_a[best_b] == np.arange(len(best_b)))
    chosen = best_b[rows]
    sizes = a.sizes_px[rows] / (b.sizes_px[chosen] * scale)
    alike = (sizes < SIZE_RATIO) & (sizes > 1 / SIZE_RATIO)
    rows, chosen = rows[alike], chosen[alike]
    turned = (b.angles_deg[chosen] - a.angles_deg[rows]) % 360
    best = 0.0
    for turn in TURNS_DEG:
        same = np.abs((turned - turn + 180) % 360 - 180) < ANGLE_SLACK_DEG
        angle = -np.radians(turn)
        rotation = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        shift = a.points[rows[same]] - (b.points[chosen[same]] * scale) @ rotation.T
        best = max(best, _crowding(shift, BIN_SHARE * a.long_side_px))
    return best


def _crowding(shift: NDArray[np.float64], bin_px: float) -> float:
    """The fullest square of 2 × 2 bins against the mean filling, in standard deviations (Poisson)."""
    if len(shift) < 4:
        return 0.0
    cell = np.floor((shift - shift.min(axis=0)) / bin_px).astype(int)
    counts = np.zeros(cell.max(axis=0) + 3)
    np.add.at(counts, tuple(cell.T + 1), 1)
    crowds = counts[:-1, :-1] + counts[1:, :-1] + counts[:-1, 1:] + counts[1:, 1:]
    expected = max(4 * len(shift) / max(counts.size, 16), 0.5)
    return float((crowds.max() - expected) / np.sqrt(expected))


def ranked(drawn: Sequence[Sketch], nominal: Sequence[float], pool: Executor) -> list[list[int]]:
    """For every scan all the others, the most promising first."""
    count = len(drawn)
    score = np.full((count, count), -1.0)

    def of_scan(i: int) -> None:
        for j in range(i + 1, count):
            score[i, j] = score[j, i] = vote(drawn[i], drawn[j], nominal[j] / nominal[i])

    list(pool.map(of_scan, range(count)))
    order = np.argsort(-score, axis=1, kind="stable")
    return [[int(j) for j in row if j != i] for i, row in enumerate(order)]


def _spread_out(features: Features, size: Size) -> NDArray[np.intp]:
    """Indices of the strongest features of every cell."""
    if not len(features.points):
        return np.zeros(0, np.intp)
    cell = np.clip(features.points / (size.width_px, size.height_px) * CELLS, 0, CELLS - 1).astype(int)
    number = cell[:, 1] * CELLS + cell[:, 0]
    order = np.lexsort((-features.strengths, number))
    first = np.searchsorted(number[order], number[order])
    return np.sort(order[np.arange(len(order)) - first < STRONGEST_PER_CELL])


def _unit(values: NDArray[np.float32]) -> NDArray[np.float32]:
    length = np.linalg.norm(values, axis=1, keepdims=True)
    return np.asarray(values / np.maximum(length, 1e-6), dtype=np.float32)


def _long(size: Size) -> int:
    return max(size.width_px, size.height_px)
