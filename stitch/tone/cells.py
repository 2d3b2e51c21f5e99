"""Where two scans are compared: small square cells of canvas that both cover, away from their borders."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import apply, corners, px_from_mm
from stitch.imaging.placed_map import PlacedMap
from stitch.model.geometry import Size, Window

CELL_MM = 2.0  # side of a cell: larger than tooth, weave and dust, smaller than washes and shading
SMALLEST_CELL_PX = 4
WANTED_CELLS = 600  # per pair
FEWEST_ROWS, MOST_ROWS = 12, 32  # rows of cells read per pair
FEWEST_READ = 4  # rows that are read of a share of them
ENOUGH_CELLS = 40  # below this, smaller cells are tried

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class CellGrid:
    """Square cells over the common part of two scans: `is_usable[row, column]` says which lie well inside both."""

    x0_px: int
    y0_px: int
    cell_px: int
    is_usable: NDArray[np.bool_]

    def rows_to_read(self, share: float = 1.0) -> list[int]:
        """Rows of cells, evenly spread over those with usable cells: few enough to be quick, or a share of them."""
        rows = np.flatnonzero(self.is_usable.any(axis=1))
        if rows.size == 0:
            return []
        per_row = self.is_usable[rows].sum() / rows.size
        count = min(max(math.ceil(WANTED_CELLS / per_row), FEWEST_ROWS), MOST_ROWS)
        count = min(max(FEWEST_READ, round(share * count)), rows.size)
        return [int(row) for row in rows[np.linspace(0, rows.size - 1, count).round().astype(int)]]

    def window(self, row: int) -> tuple[Window, NDArray[np.int64]]:
        """The canvas window from the first to the last usable cell of a row, and the columns it holds."""
        used = np.flatnonzero(self.is_usable[row])
        columns = np.arange(used[0], used[-1] + 1)
        x0 = self.x0_px + int(columns[0]) * self.cell_px
        y0 = self.y0_px + row * self.cell_px
        return Window(x0, y0, columns.size * self.cell_px, self.cell_px), columns

    def middles(self, row: int, columns: NDArray[np.int64]) -> FloatArray:
        """Canvas px of the middles of some cells of a row, (n, 2)."""
        half = (self.cell_px - 1) / 2
        x = self.x0_px + columns * self.cell_px + half
        return np.column_stack([x, np.full(len(columns), self.y0_px + row * self.cell_px + half)])


def common_cells(a: PlacedMap, b: PlacedMap, canvas: Size, canvas_ppi: float) -> CellGrid:
    """Cells over the overlap of two scans, about 2 mm wide, narrower where the overlap is small.

    A cell is usable when all of it lies at least a cell's width inside both scans.
    """
    area = _bounds(a).intersection(_bounds(b)).clipped(canvas)
    cell_px = max(round(px_from_mm(CELL_MM, canvas_ppi)), SMALLEST_CELL_PX)
    while True:
        grid = _grid(area, cell_px, (a, b))
        if grid.is_usable.sum() >= ENOUGH_CELLS or cell_px // 2 < SMALLEST_CELL_PX:
            return grid
        cell_px //= 2


def overlap_area_px(grid: CellGrid) -> float:
    """Usable area in canvas px."""
    return float(grid.is_usable.sum()) * grid.cell_px**2


def _bounds(scan: PlacedMap) -> Window:
    points = apply(scan.canvas_from_straight, corners(scan.size.width_px, scan.size.height_px))
    x0, y0 = np.ceil(points.min(axis=0)).astype(int)
    x1, y1 = np.floor(points.max(axis=0)).astype(int) + 1
    return Window(int(x0), int(y0), int(x1 - x0), int(y1 - y0))


def _grid(area: Window, cell_px: int, scans: tuple[PlacedMap, ...]) -> CellGrid:
    rows, columns = max(area.height_px // cell_px, 0), max(area.width_px // cell_px, 0)
    x0 = area.x0_px + (area.width_px - columns * cell_px) // 2
    y0 = area.y0_px + (area.height_px - rows * cell_px) // 2
    ys, xs = np.mgrid[0 : rows + 1, 0 : columns + 1] * float(cell_px) - 0.5
    knots = np.stack([xs + x0, ys + y0], axis=-1)
    inside = np.ones((rows + 1, columns + 1), dtype=bool)
    for scan in scans:
        points = apply(scan.straight_from_canvas, knots)
        low, high = np.array(scan.frame[:2]) - 0.5 + cell_px, np.array(scan.frame[2:]) + 0.5 - cell_px
        inside &= ((points >= low) & (points <= high)).all(axis=-1)
    usable = inside[:-1, :-1] & inside[1:, :-1] & inside[:-1, 1:] & inside[1:, 1:]
    return CellGrid(x0, y0, cell_px, usable)
