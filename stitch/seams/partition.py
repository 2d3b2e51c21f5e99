"""The cut itself: which scan gets each cell, found for all scans together.

Minimises, over all ways to give every cell to one scan, the length of the borders weighted by what it costs to cut
there. The convex relaxation is that of Chambolle, Cremers & Pock, A Convex Approach to Minimal Partitions, SIAM
Journal on Imaging Sciences 5(4), 1113–1158, 2012 (its simple, per-label form), solved by the first-order primal-dual
method of Chambolle & Pock, Journal of Mathematical Imaging and Vision 40, 120–145, 2011, from coarse to fine. For two
scans the relaxed minimum is that of the exact cut; for more it is a bound. Time is fixed beforehand by the number of
steps, and nothing depends on chance.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass
from itertools import chain, pairwise

import numpy as np
from numpy.typing import NDArray

Float32Array = NDArray[np.float32]
Place = tuple[slice, slice]

STEP = np.float32(0.35)  # primal and dual step; their product times 8 stays below 1
ITERATIONS = (60, 100, 200, 400)  # finest level first
SIMPLEX_PASSES = 2
WORTH_A_THREAD = 1 << 14  # cells of a region: smaller ones are done sooner than handed over
MEAN_COST = 0.4  # costs are scaled to this where there is a choice: then the steps suit both sides of the problem


@dataclass(slots=True, eq=False)
class Region:
    """One scan on the lattice: where it lies, where it may be used, what cutting costs, and what using it costs."""

    place: Place
    is_valid: NDArray[np.bool_]
    cut_cost: Float32Array
    use_cost: Float32Array
    share: Float32Array  # 0..1, how much of a cell the scan has
    across: Float32Array
    down: Float32Array

    @staticmethod
    def begin(
        place: Place, is_valid: NDArray[np.bool_], cut_cost: Float32Array, use_cost: Float32Array, share: Float32Array
    ) -> Region:
        """A region before the first step."""
        return Region(
            place,
            is_valid,
            cut_cost,
            use_cost,
            share.astype(np.float32),
            np.zeros_like(cut_cost),
            np.zeros_like(cut_cost),
        )


def partition(
    regions: Sequence[Region], shape: tuple[int, int], levels: int = len(ITERATIONS), *, jobs: int = 1
) -> NDArray[np.uint8]:
    """Give every cell to one region: uint8 of `shape`, index + 1 of the region, 0 where none is valid.

    Regions begin and end on multiples of 2**(levels - 1) cells; their `share` is where the search starts. `jobs` :
    threads, which change nothing in the result.
    """
    pyramid = [_scaled(regions, shape)]
    shapes = [shape]
    for _ in range(levels - 1):
        pyramid.append([_halved(region) for region in pyramid[-1]])
        shapes.append((shapes[-1][0] // 2, shapes[-1][1] // 2))
    with ThreadPoolExecutor(jobs, thread_name_prefix="cut") as pool:
        for level in reversed(range(levels)):
            if level + 1 < levels:
                for fine, coarse in zip(pyramid[level], pyramid[level + 1], strict=True):
                    fine.share = _doubled(coarse.share) * fine.is_valid
                    fine.across, fine.down = _doubled(coarse.across), _doubled(coarse.down)
            _relax(pyramid[level], shapes[level], ITERATIONS[level], pool, jobs)
    return _strongest(pyramid[0], shape)


def _scaled(regions: Sequence[Region], shape: tuple[int, int]) -> list[Region]:
    count = np.zeros(shape, dtype=np.int32)
    for region in regions:
        count[region.place] += region.is_valid
    chosen = [region.cut_cost[region.is_valid & (count[region.place] > 1)] for region in regions]
    known = np.concatenate(chosen) if chosen else np.zeros(0)
    mean = float(known.mean(dtype=np.float64)) if known.size else 0.0
    factor = np.float32(MEAN_COST / mean if mean > 0 else 1.0)
    return [Region.begin(r.place, r.is_valid, r.cut_cost * factor, r.use_cost * factor, r.share) for r in regions]


def _relax(regions: Sequence[Region], shape: tuple[int, int], iterations: int, pool: Executor, threads: int) -> None:
    count = np.zeros(shape, dtype=np.float32)
    for region in regions:
        count[region.place] += region.is_valid
    per_label = (1.0 / np.maximum(count, 1.0)).astype(np.float32)
    _onto_simplex([region.share for region in regions], regions, per_label, count)
    leading = [region.share.copy() for region in regions]
    parts = _shared_out(regions, threads if max(region.share.size for region in regions) >= WORTH_A_THREAD else 1)

    def of_part(part: slice) -> list[Float32Array]:
        return _moved(regions[part], leading[part])

    for _ in range(iterations):
        moved = list(chain.from_iterable(pool.map(of_part, parts)))
        _onto_simplex(moved, regions, per_label, count)
        for index, (region, share) in enumerate(zip(regions, moved, strict=True)):
            leading[index] = 2.0 * share - region.share
            region.share = share


def _shared_out(regions: Sequence[Region], threads: int) -> list[slice]:
    """Runs of regions of about as many cells each."""
    sizes = np.cumsum([region.share.size for region in regions])
    ends = np.searchsorted(sizes, sizes[-1] * np.arange(1, threads) / threads).tolist()
    return [slice(start, stop) for start, stop in pairwise([0, *ends, len(regions)])]


def _moved(regions: Sequence[Region], leading: Sequence[Float32Array]) -> list[Float32Array]:
    """Both steps of some regions; what they share with others comes after."""
    for region, lead in zip(regions, leading, strict=True):
        _climb(region, lead)
    return [_descended(region) for region in regions]


def _climb(region: Region, lead: Float32Array) -> None:
    """Dual step: along the gradient, then back to the length that the cut's cost allows."""
    region.across[:, :-1] += STEP * (lead[:, 1:] - lead[:, :-1])
    region.down[:-1] += STEP * (lead[1:] - lead[:-1])
    length = np.sqrt(region.across * region.across + region.down * region.down)
    scale = np.minimum(1.0, region.cut_cost / np.maximum(length, 1e-12))
    region.across *= scale
    region.down *= scale


def _descended(region: Region) -> Float32Array:
    """Primal step, before the shares of all regions are made to sum to one."""
    flow = region.across + region.down
    flow[:, 1:] -= region.across[:, :-1]
    flow[1:] -= region.down[:-1]
    return region.share + STEP * (flow - region.use_cost)


def _onto_simplex(
    shares: Sequence[Float32Array], regions: Sequence[Region], per_label: Float32Array, count: Float32Array
) -> None:
    """Make the shares of valid regions sum to one and lie in 0..1 (exact for two, close for more). In place."""
    for _ in range(SIMPLEX_PASSES):
        total = np.zeros_like(count)
        for share, region in zip(shares, regions, strict=True):
            share *= region.is_valid
            total[region.place] += share
        excess = (total - np.float32(1.0)) * per_label
        for share, region in zip(shares, regions, strict=True):
            share -= excess[region.place]
            np.clip(share, 0.0, 1.0, out=share)
            share *= region.is_valid


def _strongest(regions: Sequence[Region], shape: tuple[int, int]) -> NDArray[np.uint8]:
    labels = np.zeros(shape, dtype=np.uint8)
    best = np.full(shape, -1.0, dtype=np.float32)
    for index, region in enumerate(regions):
        wins = region.is_valid & (region.share > best[region.place])
        labels[region.place][wins] = index + 1
        best[region.place][wins] = region.share[wins]
    return labels


def _halved(region: Region) -> Region:
    rows, columns = region.place
    place = slice(rows.start // 2, rows.stop // 2), slice(columns.start // 2, columns.stop // 2)
    valid = _pooled(region.is_valid.astype(np.float32)) > 0
    return Region.begin(place, valid, _pooled(region.cut_cost), _pooled(region.use_cost), _pooled(region.share))


def _pooled(values: Float32Array) -> Float32Array:
    return (values[::2, ::2] + values[1::2, ::2] + values[::2, 1::2] + values[1::2, 1::2]) * np.float32(0.25)


def _doubled(values: Float32Array) -> Float32Array:
    return values.repeat(2, axis=0).repeat(2, axis=1)
