"""Small islands of one scan inside another are given up."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.seams.lattice import Part

ROUNDS = 4


def without_islands(labels: NDArray[np.uint8], parts: tuple[Part, ...], fewest_cells: int) -> NDArray[np.uint8]:
    """Labels in which every connected patch of one scan has at least `fewest_cells` cells, where that is possible.

    A smaller patch goes to the neighbour with the longest common border among those that may have all of it; when none
    may, it stays.
    """
    labels = labels.copy()
    for _ in range(ROUNDS):
        changes = [_join_islands(labels, index + 1, parts, fewest_cells) for index in range(len(parts))]
        if not any(changes):
            break
    return labels


def _join_islands(labels: NDArray[np.uint8], label: int, parts: tuple[Part, ...], fewest_cells: int) -> bool:
    count, patches, stats, _ = cv2.connectedComponentsWithStats((labels == label).astype(np.uint8), connectivity=4)
    changed = False
    for patch in range(1, count):
        x, y, width, height, area = (int(v) for v in stats[patch])
        if area >= fewest_cells:
            continue
        rows = slice(max(0, y - 1), y + height + 1)
        columns = slice(max(0, x - 1), x + width + 1)
        changed |= _join(labels[rows, columns], patches[rows, columns] == patch, rows.start, columns.start, parts)
    return changed


def _join(near: NDArray[np.uint8], island: NDArray[np.bool_], row: int, column: int, parts: tuple[Part, ...]) -> bool:
    grown = cv2.dilate(island.astype(np.uint8), cv2.getStructuringElement(cv2.MORPH_CROSS, (3, 3))) > 0
    around = np.bincount(near[grown & ~island], minlength=1)
    around[0] = 0
    for other in np.argsort(-around, kind="stable"):
        if around[other] == 0:
            return False
        if _may_have(parts[int(other) - 1], island, row, column):
            near[island] = other
            return True
    return False


def _may_have(part: Part, island: NDArray[np.bool_], row: int, column: int) -> bool:
    rows, columns = np.nonzero(island)
    rows, columns = rows + row - part.window.y0_px, columns + column - part.window.x0_px
    height, width = part.is_valid.shape
    inside = (rows >= 0) & (columns >= 0) & (rows < height) & (columns < width)
    return bool(inside.all() and part.is_valid[rows, columns].all())
