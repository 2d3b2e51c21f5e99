"""Matches between the features of two scans, split by how far one scan is turned against the other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stitch.register.features import Features

RATIO = 0.92  # nearest ÷ second nearest distance: loose, because geometry decides later
SIZE_RATIO = 1.4  # scans have one scale, so matched features have like sizes
ANGLE_SLACK_DEG = 15.0
TURNS_DEG = (0, 90, 180, 270)


@dataclass(frozen=True, slots=True, eq=False)
class Matches:
    """Index pairs into the features of scan a and scan b that agree on one turn."""

    turn_deg: int
    index_a: NDArray[np.intp]
    index_b: NDArray[np.intp]


def match(a: Features, b: Features, scale: float = 1.0) -> tuple[Matches, ...]:
    """Mutual nearest neighbours that pass the ratio test, one group for each turn of b against a.

    `scale` is the size of a reduced px of b in reduced px of a.
    """
    if len(a.points) < 2 or len(b.points) < 2:
        return ()
    index_a, index_b = _mutual_nearest(a.descriptors, b.descriptors)
    sizes = a.sizes_px[index_a] / (b.sizes_px[index_b] * scale)
    alike = (sizes < SIZE_RATIO) & (sizes > 1 / SIZE_RATIO)
    index_a, index_b = index_a[alike], index_b[alike]
    turned = (b.angles_deg[index_b] - a.angles_deg[index_a]) % 360
    groups = []
    for turn in TURNS_DEG:
        off = np.abs((turned - turn + 180) % 360 - 180)
        chosen = off < ANGLE_SLACK_DEG
        groups.append(Matches(turn, index_a[chosen], index_b[chosen]))
    return tuple(groups)


def _mutual_nearest(a: NDArray[np.float32], b: NDArray[np.float32]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    likeness = a @ b.T
    best_b = likeness.argmax(axis=1)
    best_for_b = likeness.max(axis=0)
    rows = np.arange(len(a))
    first = likeness[rows, best_b]
    likeness[rows, best_b] = -1.0
    second = likeness.max(axis=1)
    distance_first = np.sqrt(np.maximum(2 - 2 * first, 0))
    distance_second = np.sqrt(np.maximum(2 - 2 * second, 1e-9))
    mutual = (first == best_for_b[best_b]) & (distance_first < RATIO * distance_second)
    return rows[mutual], best_b[mutual]
