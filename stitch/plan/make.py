"""From what is wanted to the plan."""

from __future__ import annotations

from stitch import __version__
from stitch.model.plan import PlannedScan, ScanPlan, Shared
from stitch.plan.grid import Cell, Grid, Wanted, best_grid, edge_places
from stitch.plan.lying import Rect, front_of

Spot = tuple[int, int]  # row and column in the grid of the lying painting


def make_plan(wanted: Wanted, *, dpi: float, bits: int = 16, title: str = "") -> ScanPlan:
    """The plan with the fewest scans. Raises UsageError for what makes no sense."""
    grid = best_grid(wanted)
    numbers = {(cell.row, cell.column): number for number, cell in enumerate(grid.cells, start=1)}
    is_upright = grid.turn_deg == 0
    beside, below = grid.overlaps if is_upright else grid.overlaps[::-1]
    counts = (len(grid.row_starts), len(grid.column_starts))
    rows, columns = counts if is_upright else counts[::-1]
    return ScanPlan(
        painting_width_mm=wanted.painting_width,
        painting_height_mm=wanted.painting_height,
        paper_margin_mm=wanted.paper_margin,
        bed=wanted.bed,
        turn=wanted.turn,
        dpi=dpi,
        bits=bits,
        least_overlap_x_mm=beside,
        least_overlap_y_mm=below,
        rows=rows,
        columns=columns,
        scans=tuple(_scan(wanted, grid, cell, numbers) for cell in grid.cells),
        title=title,
        tool_version=__version__,
    )


def _scan(wanted: Wanted, grid: Grid, cell: Cell, numbers: dict[Spot, int]) -> PlannedScan:
    spot = (cell.row, cell.column)
    number = numbers[spot]
    front = _front(wanted, grid, spot)
    left, far, _, _ = edge_places(wanted, grid, cell, is_turned=cell.is_turned)
    row, column = _front_spot(grid, spot)
    return PlannedScan(
        number=number,
        file_name=f"scan-{number:0{max(2, len(str(len(numbers))))}}.tif",
        row=row,
        column=column,
        x_mm=front.x,
        y_mm=front.y,
        width_mm=front.width,
        height_mm=front.height,
        turn_deg=(grid.turn_deg + 180 * cell.is_turned) % 360,
        left_mm=left,
        far_mm=far,
        needs_lid_off=cell.needs_lid_off,
        shares=_shares(wanted, grid, spot, numbers),
    )


def _front(wanted: Wanted, grid: Grid, spot: Spot) -> Rect:
    row, column = spot
    lying = Rect(grid.column_starts[column], grid.row_starts[row], *wanted.usable)
    return front_of(lying, wanted.painting_width, wanted.painting_height, grid.turn_deg)


def _front_spot(grid: Grid, spot: Spot) -> Spot:
    """Row and column from 1, on the front of the upright painting: left and right are exchanged seen from the back."""
    row, column = spot
    if grid.turn_deg == 0:
        return row + 1, len(grid.column_starts) - column
    # Turned clockwise the painting's top is at her right, and its right side, seen from the front, at the far side.
    return len(grid.column_starts) - column, len(grid.row_starts) - row


def _shares(wanted: Wanted, grid: Grid, spot: Spot, numbers: dict[Spot, int]) -> tuple[Shared, ...]:
    """Overlaps with the neighbours at the sides of the grid, in the order of their numbers."""
    (width, height), (row, column) = wanted.usable, spot
    found = []
    for other in ((row - 1, column), (row, column - 1), (row, column + 1), (row + 1, column)):
        if other in numbers:
            down = abs(grid.row_starts[other[0]] - grid.row_starts[row])
            across = abs(grid.column_starts[other[1]] - grid.column_starts[column])
            found.append(Shared(numbers[other], height - down if down else width - across))
    return tuple(sorted(found, key=lambda one: one.number))
