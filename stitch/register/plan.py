"""Where patches are laid in the overlap of two scans: in groups that are read together."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import FloatArray
from stitch.imaging.placed_map import PlacedMap
from stitch.model.geometry import Size, Window
from stitch.register.subpixel import MARGIN_PX

MOST_PATCHES = 128  # of a sparse plan
PATCHES_A_MP = 25.0  # of the overlap, between the fewest and the most
FEWEST_PATCHES = 64  # planned in a small overlap, a corner that two scans share
FEW_PATCHES, FEW_TOGETHER = 20, 3  # of a plan that only has to find the place for the next
READ_TOGETHER = 24  # patches side by side, about
NEAREST = 0.75  # of a patch, from the middle of one to that of the next
ENOUGH_PATCHES, ENOUGH_SHARE = 30, 0.6  # of a size: with fewer, or less of what was asked for, a smaller one is tried
FEWEST_LINES = 3
SPARSE_SIZES_PX = (96, 64, 48, 32)
DENSE_TOGETHER = (24, 6)  # patches of a dense plan that are read together, across and along, where they lie closest
RIM_PX = 3  # a patch may start this near to a scan's border where only part of it has to be seen


@dataclass(frozen=True, slots=True)
class Grain:
    """How finely an overlap is measured.

    `search_px` is how far patches may be off. With `step_px` None there are as many as the overlap's area asks for,
    between about `fewest` and `most`, of the largest size of which enough fit, in runs of about `together`. Otherwise
    patches of `size_px` lie `step_px` apart across and along the pass of scan a, and may reach over the border of what
    both scans show as long as both show the share `least_seen` of them; only what both show counts.
    """

    search_px: int
    size_px: int = 0
    step_px: tuple[int, int] | None = None
    least_seen: float = 1.0
    fewest: int = FEWEST_PATCHES
    most: int = MOST_PATCHES
    together: int = READ_TOGETHER


@dataclass(frozen=True, slots=True, eq=False)
class Group:
    """Patches that are read together."""

    size_px: int
    centres: FloatArray  # (n, 2) whole scan a px; the patch covers size_px / 2 before to size_px / 2 − 1 after
    row: NDArray[np.intp]  # place of each patch in its plan's grid
    column: NDArray[np.intp]


def plan(map_a: PlacedMap, map_b: PlacedMap, grain: Grain) -> list[Group]:
    """Groups of patches over the overlap, in px of scan a."""
    if grain.step_px is not None:
        return list(_dense(map_a, map_b, grain))
    groups: list[Group] = []
    for size_px in SPARSE_SIZES_PX:
        groups = list(_sparse(map_a, map_b, size_px, grain))
        if sum(len(group.centres) for group in groups) >= min(ENOUGH_PATCHES, ENOUGH_SHARE * grain.most):
            break
    return groups


def b_from_a(map_a: PlacedMap, map_b: PlacedMap, points: FloatArray) -> FloatArray:
    """Scan b px of scan a px, (n, 2)."""
    return map_b.scan_from_canvas(map_a.canvas_from_scan(points))


def _sparse(map_a: PlacedMap, map_b: PlacedMap, size_px: int, grain: Grain) -> Iterator[Group]:
    """Lines of patches along the longer side of the overlap, in runs of patches side by side.

    What is read around a run is shared by all its patches, and a few lines far apart hold two scans as well as many.
    """
    inset = size_px // 2 + grain.search_px + MARGIN_PX + 2
    box = _overlap_box(map_a, map_b).grown(-inset)
    if box.is_empty:
        return
    is_wide = box.width_px >= box.height_px
    long_px, short_px = (box.width_px, box.height_px) if is_wide else (box.height_px, box.width_px)
    long_start, short_start = (box.x0_px, box.y0_px) if is_wide else (box.y0_px, box.x0_px)
    in_line, line_count = _counts(long_px, short_px, size_px, grain)
    for first, along in _runs(long_start, long_px, in_line, size_px, grain.together):
        for line, across in enumerate(_spread(short_start, short_px, line_count)):
            number = np.arange(first, first + len(along))
            of_x, of_y = (along, number), (np.full_like(along, across), np.full_like(number, line))
            (xs, column), (ys, row) = (of_x, of_y) if is_wide else (of_y, of_x)
            centres = np.column_stack([xs, ys]).astype(np.float64)
            inside = _is_inside(b_from_a(map_a, map_b, centres), map_b.size, inset)
            if inside.any():
                yield Group(size_px, centres[inside], row[inside], column[inside])


def _counts(long_px: int, short_px: int, size_px: int, grain: Grain) -> tuple[int, int]:
    """Patches in a line, and lines: side by side along it, as far apart across as their number asks for."""
    area_px = long_px * short_px
    most = min(grain.most, max(grain.fewest, round(PATCHES_A_MP * area_px / 1e6)))
    nearest = NEAREST * size_px
    in_line = max(1, min(round(long_px / np.clip((area_px / most) ** 0.5, nearest, size_px)), most // FEWEST_LINES))
    return in_line, max(1, min(round(short_px / nearest), round(most / in_line)))


def _runs(start: int, length: int, count: int, size_px: int, together: int) -> Iterator[tuple[int, NDArray[np.intp]]]:
    """`count` patches in runs of about `together`: the number of the first of each, and the places of all of it."""
    run_count = -(-count // together)
    ends = np.arange(run_count + 1) * count // run_count
    pitch = min(length / count, size_px)
    for first, stop, middle in zip(ends[:-1], ends[1:], _spread(start, length, run_count), strict=True):
        number = np.arange(stop - first)
        yield int(first), np.floor(middle + (number - (len(number) - 1) / 2) * pitch).astype(np.intp)


def _dense(map_a: PlacedMap, map_b: PlacedMap, grain: Grain) -> Iterator[Group]:
    across, along = grain.step_px or (grain.size_px, grain.size_px)
    box = _overlap_box(map_a, map_b).grown(-RIM_PX)
    if box.is_empty:
        return
    ys, xs = (
        _spread(box.y0_px, box.height_px, 1 + box.height_px // along),
        _spread(box.x0_px, box.width_px, 1 + box.width_px // across),
    )
    columns_together, rows_together = max(1, DENSE_TOGETHER[0] * min(across, along) // across), DENSE_TOGETHER[1]
    for j in range(0, len(ys), rows_together):
        for i in range(0, len(xs), columns_together):
            here = np.mgrid[j : min(j + rows_together, len(ys)), i : min(i + columns_together, len(xs))]
            rows, columns = here.reshape(2, -1)
            centres = np.column_stack([xs[columns], ys[rows]]).astype(np.float64)
            inside = _is_inside(b_from_a(map_a, map_b, centres), map_b.size, RIM_PX)
            if inside.any():
                yield Group(grain.size_px, centres[inside], rows[inside], columns[inside])


def _overlap_box(map_a: PlacedMap, map_b: PlacedMap) -> Window:
    """Bounding box, in whole px of scan a, of what scan b shows there."""
    ends = b_from_a(map_b, map_a, _border(map_b.size))
    x0, y0 = np.ceil(ends.min(axis=0)).astype(int)
    x1, y1 = np.floor(ends.max(axis=0)).astype(int)
    return Window(int(x0), int(y0), int(x1 - x0), int(y1 - y0)).clipped(map_a.size)


def _border(size: Size) -> FloatArray:
    along = np.linspace(0.0, 1.0, 9)
    right, bottom = size.width_px - 1.0, size.height_px - 1.0
    zero, one = np.zeros(9), np.ones(9)
    sides = [(along, zero), (along, one), (zero, along), (one, along)]
    return np.concatenate([np.column_stack([x * right, y * bottom]) for x, y in sides])


def _is_inside(points: FloatArray, size: Size, inset_px: float) -> NDArray[np.bool_]:
    high = np.array([size.width_px, size.height_px]) - 1.0 - inset_px
    return np.asarray(((points >= inset_px) & (points <= high)).all(axis=1))


def _spread(start: int, length: int, count: int) -> NDArray[np.intp]:
    """Centres of `count` equal parts, as whole pixels."""
    return np.floor(start + (np.arange(count) + 0.5) * length / count).astype(np.intp)
