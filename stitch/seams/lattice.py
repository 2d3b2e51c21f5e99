"""The coarse lattice of cells that the cut is made on, and what every scan covers of it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import apply, corners, px_from_mm
from stitch.imaging.labels import depth_at
from stitch.imaging.placed_map import PlacedMap, placed_maps
from stitch.model.geometry import Size, Window
from stitch.model.layout import Layout

CELL_MM = 0.5
SMALLEST_CELL_PX = 4
MOST_CELLS = 1_200_000
BYTES_PER_CELL = 104  # of every scan: colours, detail, extremes, depth, and what the partition keeps
INSET_PX = 4.0  # from a scan's border no pixel is taken where another scan has it
STEP_CELLS = 8  # the lattice and the scans' parts of it start and end on multiples of this


@dataclass(frozen=True, slots=True)
class Lattice:
    """Cell (row, column) covers canvas px [column × cell_px, (column + 1) × cell_px), likewise in y."""

    canvas: Size
    cell_px: int
    rows: int  # padded to a multiple of STEP_CELLS
    columns: int

    @property
    def used(self) -> tuple[slice, slice]:
        """Index of the cells that touch the canvas."""
        return (
            slice(0, math.ceil(self.canvas.height_px / self.cell_px)),
            slice(0, math.ceil(self.canvas.width_px / self.cell_px)),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """What one scan has of the lattice. Arrays are (rows, columns) of `window`, which counts cells."""

    scan_id: str
    window: Window
    depth_px: NDArray[np.float32]  # of the cell's worst corner from the scan's border, scan px; negative outside
    is_valid: NDArray[np.bool_]  # the cell may be given to this scan

    @property
    def place(self) -> tuple[slice, slice]:
        """Index of the part in an array of the whole lattice."""
        w = self.window
        return slice(w.y0_px, w.y1_px), slice(w.x0_px, w.x1_px)


def make_lattice(layout: Layout, scan_sizes: Mapping[str, Size], memory_mb: int) -> Lattice:
    """A lattice with cells of about half a millimetre, coarser when there would be too many of them."""
    canvas = layout.canvas
    area = canvas.width_px * canvas.height_px
    covered = sum(size.width_px * size.height_px for size in scan_sizes.values())
    fewest = max(area / MOST_CELLS, max(covered, area) * BYTES_PER_CELL / (memory_mb * 0.5e6))
    wanted = round(px_from_mm(CELL_MM, layout.canvas_ppi))
    cell = max(SMALLEST_CELL_PX, wanted, math.ceil(math.sqrt(fewest)))
    rows, columns = math.ceil(canvas.height_px / cell), math.ceil(canvas.width_px / cell)
    return Lattice(canvas, cell, _padded(rows), _padded(columns))


def make_parts(lattice: Lattice, layout: Layout, scan_sizes: Mapping[str, Size]) -> tuple[Part, ...]:
    """Every placed scan's part of the lattice, in the order of `layout.placements`.

    A cell may go to a scan that covers all of it, INSET_PX from its border; where no scan does, to one that covers all
    of it; where none does either, to the scan that reaches deepest.
    """
    maps = placed_maps(layout, scan_sizes)
    windows = [_part_window(lattice, placed) for placed in maps.values()]
    depths = [_worst_depth(lattice, window, placed) for window, placed in zip(windows, maps.values(), strict=True)]
    best = np.full((lattice.rows, lattice.columns), -np.inf, dtype=np.float32)
    for window, depth in zip(windows, depths, strict=True):
        place = slice(window.y0_px, window.y1_px), slice(window.x0_px, window.x1_px)
        best[place] = np.maximum(best[place], depth)
    parts = []
    for scan_id, window, depth in zip(maps, windows, depths, strict=True):
        there = best[window.y0_px : window.y1_px, window.x0_px : window.x1_px]
        valid = _is_valid(depth, there, 2.0 * lattice.cell_px)
        parts.append(Part(scan_id, window, depth, valid & _on_canvas(lattice, window)))
    return tuple(parts)


def _is_valid(depth: NDArray[np.float32], best: NDArray[np.float32], cell_reach_px: float) -> NDArray[np.bool_]:
    whole = (depth >= INSET_PX) | ((depth >= 0) & (best < INSET_PX))
    partly = (best < 0) & (depth == best) & (depth > -cell_reach_px)
    return whole | partly


def _on_canvas(lattice: Lattice, window: Window) -> NDArray[np.bool_]:
    rows, columns = lattice.used
    return (np.arange(window.y0_px, window.y1_px) < rows.stop)[:, None] & (
        np.arange(window.x0_px, window.x1_px) < columns.stop
    )


def _part_window(lattice: Lattice, placed: PlacedMap) -> Window:
    ends = corners(placed.size.width_px, placed.size.height_px)
    points = apply(placed.canvas_from_straight, ends) / lattice.cell_px
    x0, y0 = (math.floor(low) // STEP_CELLS * STEP_CELLS for low in points.min(axis=0))
    x1, y1 = (_padded(math.ceil(high) + 1) for high in points.max(axis=0))
    return Window(x0, y0, x1 - x0, y1 - y0).clipped(Size(lattice.columns, lattice.rows))


def _worst_depth(lattice: Lattice, window: Window, placed: PlacedMap) -> NDArray[np.float32]:
    """Least depth over each cell: depth is concave, so that a corner has it."""
    cell, canvas = lattice.cell_px, lattice.canvas
    left = np.arange(window.x0_px, window.x1_px, dtype=np.float64) * cell
    top = np.arange(window.y0_px, window.y1_px, dtype=np.float64)[:, None] * cell
    right = np.minimum(left + cell, canvas.width_px) - 1.0
    bottom = np.minimum(top + cell, canvas.height_px) - 1.0
    found = [depth_at(placed, x, y) for x in (left, right) for y in (top, bottom)]
    return np.minimum.reduce(found).astype(np.float32)


def _padded(count: int) -> int:
    return -(-count // STEP_CELLS) * STEP_CELLS
