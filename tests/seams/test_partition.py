from __future__ import annotations

import numpy as np
import pytest
from scipy.sparse import csr_array
from scipy.sparse.csgraph import breadth_first_order, maximum_flow

from stitch.seams.partition import Region, partition

ROWS, COLUMNS = 48, 64


def two_regions(cost: np.ndarray) -> list[Region]:
    place = slice(0, ROWS), slice(0, COLUMNS)
    left, right = np.ones((ROWS, COLUMNS), bool), np.ones((ROWS, COLUMNS), bool)
    left[:, -8:], right[:, :8] = False, False
    none = np.zeros_like(cost)
    return [Region.begin(place, valid, cost, none, valid * np.float32(0.5)) for valid in (left, right)]


def length_of(labels: np.ndarray, cost: np.ndarray) -> float:
    """Weighted length of the border, isotropic as in the relaxation: both labels count."""
    mask = (labels == 1).astype(np.float64)
    across = np.zeros_like(mask)
    down = np.zeros_like(mask)
    across[:, :-1] = np.diff(mask, axis=1)
    down[:-1] = np.diff(mask, axis=0)
    return float(2 * (cost * np.hypot(across, down)).sum())


def straight_best(cost: np.ndarray) -> float:
    return min(float(2 * cost[:, column].sum()) for column in range(8, COLUMNS - 9))


def exact(cost: np.ndarray, regions: list[Region]) -> np.ndarray:
    """Labels of the exact minimum cut over four neighbours, by the reference library's maximum flow."""
    cell = np.arange(ROWS * COLUMNS).reshape(ROWS, COLUMNS)
    source, sink, far = ROWS * COLUMNS, ROWS * COLUMNS + 1, 10**8
    capacity = np.rint(1000 * cost.astype(np.float64)).astype(np.int32)
    sides = [
        (cell[:, :-1], cell[:, 1:], capacity[:, :-1] + capacity[:, 1:]),
        (cell[:-1], cell[1:], capacity[:-1] + capacity[1:]),
    ]
    starts = [p for p, _, _ in sides] + [q for _, q, _ in sides]
    ends = [q for _, q, _ in sides] + [p for p, _, _ in sides]
    values = [c for *_, c in sides] * 2
    only_left, only_right = cell[~regions[1].is_valid], cell[~regions[0].is_valid]
    starts += [np.full(only_left.size, source), only_right]
    ends += [only_left, np.full(only_right.size, sink)]
    values += [np.full(only_left.size, far), np.full(only_right.size, far)]
    row, column, value = (np.concatenate([part.ravel() for part in parts]) for parts in (starts, ends, values))
    graph = csr_array((value.astype(np.int32), (row, column)), shape=(sink + 1, sink + 1))
    left_over = graph - csr_array(maximum_flow(graph, source, sink).flow)
    left_over.data = np.maximum(left_over.data, 0)
    left_over.eliminate_zeros()
    reached = breadth_first_order(left_over, source, return_predecessors=False)
    labels = np.full(sink + 1, 2)
    labels[reached] = 1
    return labels[:source].reshape(ROWS, COLUMNS)


def test_a_cheap_channel_is_found():
    cost = np.full((ROWS, COLUMNS), 2.0, np.float32)
    middle = (32 + 10 * np.sin(np.arange(ROWS) / 8)).astype(int)
    for row in range(ROWS):
        cost[row, middle[row] - 2 : middle[row] + 3] = 0.2
    labels = partition(two_regions(cost), (ROWS, COLUMNS))
    edge = np.argmax(labels == 2, axis=1)
    assert np.abs(edge - middle).max() <= 4


@pytest.mark.parametrize("seed", range(8))
def test_the_cut_is_as_good_as_the_exact_one(seed):
    rng = np.random.default_rng(seed)
    cost = (0.1 + rng.random((ROWS // 4, COLUMNS // 4)).repeat(4, 0).repeat(4, 1) ** 2).astype(np.float32)
    regions = two_regions(cost)
    labels = partition(regions, (ROWS, COLUMNS))
    found = length_of(labels, cost)
    assert found <= 1.1 * length_of(exact(cost, regions), cost)
    assert found < straight_best(cost)


def test_cells_keep_to_where_they_are_valid():
    regions = two_regions(np.ones((ROWS, COLUMNS), np.float32))
    labels = partition(regions, (ROWS, COLUMNS))
    assert all(regions[k].is_valid[labels == k + 1].all() for k in (0, 1))
    assert set(np.unique(labels)) == {1, 2}


def test_a_cell_nobody_may_have_stays_empty():
    regions = two_regions(np.ones((ROWS, COLUMNS), np.float32))
    for region in regions:
        region.is_valid[:8, :8] = False
    labels = partition(regions, (ROWS, COLUMNS))
    assert (labels[:8, :8] == 0).all() and (labels[8:] > 0).all()
