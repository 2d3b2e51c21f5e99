"""The grid of pieces on the back of the painting, and which of them are laid turned or with the lid off."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from stitch.errors import UsageError
from stitch.model.plan import Bed, Hinge, Turn
from stitch.plan.lying import lying_size
from stitch.plan.overlap import Overlap, needed_mm
from stitch.plan.sides import scan_count, starts

MOST_SCANS = 250
_TINY = 1e-6


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a plan is made for; mm."""

    painting_width: float
    painting_height: float
    bed: Bed
    overlap: Overlap = field(default_factory=Overlap)
    paper_margin: float = 0.0
    turn: Turn = Turn.ANY

    @property
    def usable(self) -> tuple[float, float]:
        """Width and height of the glass that is relied on."""
        return self.bed.width_mm - 2 * self.bed.margin_mm, self.bed.height_mm - 2 * self.bed.margin_mm


@dataclass(frozen=True, slots=True)
class Cell:
    """A piece by its place in the grid of the lying painting, and how it is laid."""

    row: int
    column: int
    is_turned: bool
    needs_lid_off: bool


@dataclass(frozen=True, slots=True)
class Grid:
    """All pieces with the painting lying turned by `turn_deg` (0 or 90); starts in the lying frame, mm."""

    turn_deg: int
    overlaps: tuple[float, float]  # at least, across and down
    column_starts: tuple[float, ...]
    row_starts: tuple[float, ...]
    cells: tuple[Cell, ...]  # in the order of scanning


def best_grid(wanted: Wanted) -> Grid:
    """The grid of fewest scans; of those the one with least to do besides, the painting's top away from her if it can.

    Raises UsageError for what makes no sense.
    """
    _require_sense(wanted)
    grids, troubles = [], []
    for turn_deg in (0, 90):
        try:
            grids.append(_grid(wanted, turn_deg))
        except UsageError as trouble:
            troubles.append(trouble)
    if not grids:
        raise troubles[0]
    return min(grids, key=_toil)


def edge_places(wanted: Wanted, grid: Grid, cell: Cell, *, is_turned: bool) -> tuple[float, float, float, float]:
    """Where the lying painting's left, far, right and near edges are, inwards from the bed's; negative: hangs over."""
    (width, height), (across, down) = wanted.usable, _lying(wanted, grid.turn_deg)
    left, far = -grid.column_starts[cell.column], -grid.row_starts[cell.row]
    right, near = width - left - across, height - far - down
    margin = wanted.bed.margin_mm
    sides = (right, near, left, far) if is_turned else (left, far, right, near)
    return sides[0] + margin, sides[1] + margin, sides[2] + margin, sides[3] + margin


def _toil(grid: Grid) -> tuple[int, bool, int, int]:
    cells = grid.cells
    return len(cells), any(c.needs_lid_off for c in cells), sum(c.is_turned for c in cells), grid.turn_deg


def _lying(wanted: Wanted, turn_deg: int) -> tuple[float, float]:
    return lying_size(wanted.painting_width, wanted.painting_height, turn_deg)


def _require_sense(wanted: Wanted) -> None:
    width, height = wanted.usable
    if min(width, height) <= 0:
        raise UsageError(
            f"--bed-margin: {wanted.bed.margin_mm:g} mm on each side leaves nothing of the bed.",
            advice="Give the width of the strip along the frame where paper does not lie flat, e.g. 3mm.",
        )
    for turn_deg in (0, 90):
        across, down = _lying(wanted, turn_deg)
        if across <= width and down <= height:
            raise UsageError(
                "The painting fits on the bed whole: one scan does, and needs no plan.",
                advice="If it does not, look at the sizes and units of --painting and --bed.",
            )
    if 2 * wanted.paper_margin >= min(wanted.painting_width, wanted.painting_height):
        raise UsageError(
            f"--paper-margin: a blank border of {wanted.paper_margin:g} mm on each side leaves no painting.",
            advice="Give the width of the blank border, not the size of the painted part.",
        )


def _grid(wanted: Wanted, turn_deg: int) -> Grid:
    (width, height), (across, down) = wanted.usable, _lying(wanted, turn_deg)
    blank = wanted.paper_margin
    beside = below = 0.0
    if across > width:
        beside = needed_mm(wanted.overlap, width, along_mm=height, sheet_along_mm=down, paper_margin_mm=blank)
    if down > height:
        below = needed_mm(wanted.overlap, height, along_mm=width, sheet_along_mm=across, paper_margin_mm=blank)
    count = scan_count(across, width, beside) * scan_count(down, height, below)
    if count > MOST_SCANS:
        raise UsageError(
            f"That would take {count:,} scans; nobody lays a painting down more than {MOST_SCANS} times.",
            advice="Look at the units, ask for less overlap, use a larger bed, or a camera.",
        )
    grid = Grid(turn_deg, (beside, below), starts(across, width, beside), starts(down, height, below), ())
    return _with_cells(wanted, grid)


def _with_cells(wanted: Wanted, grid: Grid) -> Grid:
    spots = [(row, column) for row in range(len(grid.row_starts)) for column in range(len(grid.column_starts))]
    plain = [Cell(*spot, is_turned=False, needs_lid_off=False) for spot in spots]
    half_around = _half_around(wanted, grid, plain)
    cells = []
    for cell in plain:
        is_turned = (cell.row, cell.column) in half_around
        needs_lid_off = _is_blocked(wanted, grid, cell, is_turned=is_turned)
        cells.append(replace(cell, is_turned=is_turned, needs_lid_off=needs_lid_off))
    cells.sort(key=lambda cell: _moment(cell, wanted.bed.hinge))
    return Grid(grid.turn_deg, grid.overlaps, grid.column_starts, grid.row_starts, tuple(cells))


def _moment(cell: Cell, hinge: Hinge) -> tuple[bool, bool, int, int]:
    """One turn and one taking off of the lid at most; else from neighbour to neighbour, to and fro.

    Along the hinge, so that pieces alike lie in one row. Once off, the lid stays off: pieces that ask for it go on.
    """
    line, place = {Hinge.LEFT: (cell.column, cell.row), Hinge.RIGHT: (-cell.column, cell.row)}.get(
        hinge, (cell.row, cell.column)
    )
    return cell.is_turned, cell.needs_lid_off != cell.is_turned, line, place if line % 2 == 0 else -place


def _half_around(wanted: Wanted, grid: Grid, cells: list[Cell]) -> set[tuple[int, int]]:
    """The cells that are laid half around."""
    if wanted.turn is Turn.NONE:
        return set()
    if wanted.turn is Turn.FAR_HALF:
        return {(cell.row, cell.column) for cell in cells if _is_far(wanted.bed.hinge, grid, cell)}
    blocked = [cell for cell in cells if _is_blocked(wanted, grid, cell, is_turned=False)]
    if any(_is_blocked(wanted, grid, cell, is_turned=True) for cell in blocked):
        return set()  # the lid has to come off all the same, and then nothing is in the way
    return {(cell.row, cell.column) for cell in blocked}


def _is_far(hinge: Hinge, grid: Grid, cell: Cell) -> bool:
    rows, columns = len(grid.row_starts), len(grid.column_starts)
    index, count = (cell.row, rows) if hinge in (Hinge.NONE, Hinge.TOP) else (cell.column, columns)
    if hinge is Hinge.RIGHT:
        index = count - 1 - index
    return 2 * index >= count + count % 2


def _is_blocked(wanted: Wanted, grid: Grid, cell: Cell, *, is_turned: bool) -> bool:
    """Whether the painting hangs over the hinge's side, so that the lid must come off."""
    left, far, right, _ = edge_places(wanted, grid, cell, is_turned=is_turned)
    place = {Hinge.LEFT: left, Hinge.TOP: far, Hinge.RIGHT: right, Hinge.NONE: 0.0}[wanted.bed.hinge]
    return place < -_TINY
