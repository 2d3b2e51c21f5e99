"""What was wished for by hand becomes what the cut may do: in its region a scan is the only choice, or none.

A wish holds for the cells whose centres its region covers, and for a margin of one cell around them, so that it is met
to its rim once labels are smoothed; margins give way to other wishes. Later wishes go before earlier ones. A cell is
never left without a scan: what cannot be met is told.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.model.wishes import Points, Want, WishOutcome, WishPlace
from stitch.seams.lattice import Lattice, Part

STEP_CELLS = 0.25  # along a region's sides, when the cells that they pass are looked for
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class _Area:
    """Where a wish holds: (rows, columns) of the whole lattice."""

    core: Mask
    margin: Mask


@dataclass(slots=True, eq=False)
class _Choice:
    """What may make each cell. For every part, arrays (rows, columns) of its own window."""

    parts: tuple[Part, ...]
    shape: tuple[int, int]  # of the lattice
    covers: list[Mask]  # the whole cell
    valid: list[Mask]  # and may have it
    taken_by: list[NDArray[np.int16]]  # the wish that took the part out there: its position + 1, 0 for none

    @classmethod
    def free(cls, lattice: Lattice, parts: tuple[Part, ...]) -> _Choice:
        """Before any wish."""
        canvas = np.zeros((lattice.rows, lattice.columns), bool)
        canvas[lattice.used] = True
        covers = [(part.depth_px >= 0) & canvas[part.place] for part in parts]
        taken = [np.zeros(part.is_valid.shape, np.int16) for part in parts]
        return cls(parts, canvas.shape, covers, [part.is_valid.copy() for part in parts], taken)

    def index(self, scan_id: str) -> int | None:
        """Position of a scan's part; None when it is not placed."""
        return next((k for k, part in enumerate(self.parts) if part.scan_id == scan_id), None)

    def left(self, k: int) -> Mask:
        """Cells that part k covers and that no wish took from it."""
        return self.covers[k] & (self.taken_by[k] == 0)

    def others(self, k: int) -> list[int]:
        """The other parts."""
        return [i for i in range(len(self.parts)) if i != k]

    def take_out(self, which: Sequence[int], where: Mask, number: int) -> None:
        """Leave parts out of cells of the lattice, for the wish of that number."""
        for i in which:
            there = where[self.parts[i].place]
            self.valid[i] &= ~there
            self.taken_by[i][there & (self.taken_by[i] == 0)] = number

    def spread(self, which: Sequence[int], masks: Callable[[int], Mask]) -> Mask:
        """Cells of the lattice where one of these parts has its mask set."""
        found = np.zeros(self.shape, bool)
        for i in which:
            found[self.parts[i].place] |= masks(i)
        return found


def with_wishes(lattice: Lattice, parts: tuple[Part, ...], wishes: Sequence[WishPlace]) -> tuple[Part, ...]:
    """The parts with only those cells valid that the wishes leave to them."""
    if not wishes:
        return parts
    choice = _chosen(lattice, parts, wishes)
    return tuple(replace(part, is_valid=valid) for part, valid in zip(parts, choice.valid, strict=True))


def outcomes(
    lattice: Lattice, parts: tuple[Part, ...], wishes: Sequence[WishPlace], cells: NDArray[np.uint8], cell_mm: float
) -> tuple[WishOutcome, ...]:
    """What became of every wish. `cells` : labels that were cut with them (rows, columns) of the canvas."""
    choice = _chosen(lattice, parts, wishes)
    labels = np.zeros((lattice.rows, lattice.columns), np.uint8)
    labels[lattice.used] = cells
    return tuple(_outcome(lattice, choice, wish, labels, cell_mm) for wish in wishes)


def _chosen(lattice: Lattice, parts: tuple[Part, ...], wishes: Sequence[WishPlace]) -> _Choice:
    choice = _Choice.free(lattice, parts)
    for is_rim in (False, True):  # no wish's margin goes before another one's region
        for number, wish in reversed(list(enumerate(wishes, start=1))):
            area = _area(lattice, wish.corners_px)
            _take(choice, wish, area.margin if is_rim else area.core, number)
    return choice


def _take(choice: _Choice, wish: WishPlace, where: Mask, number: int) -> None:
    k = choice.index(wish.scan_id)
    if k is None:
        return
    rest, place = choice.others(k), choice.parts[k].place
    can = np.zeros(choice.shape, bool)
    can[place] = where[place] & choice.left(k)
    if wish.want is Want.PREFER:
        choice.valid[k] |= can[place]
        choice.take_out(rest, can, number)
        return
    can &= choice.spread(rest, choice.left)
    nobody = can & ~choice.spread(rest, choice.valid.__getitem__)
    for i in rest:  # rather the very border of another scan than the one that is not wanted
        choice.valid[i] |= nobody[choice.parts[i].place] & choice.left(i)
    choice.take_out([k], can, number)


def _outcome(
    lattice: Lattice, choice: _Choice, wish: WishPlace, labels: NDArray[np.uint8], cell_mm: float
) -> WishOutcome:
    core = np.zeros(choice.shape, bool)
    core[lattice.used] = _area(lattice, wish.corners_px).core[lattice.used]
    region = int(core.sum())
    k = choice.index(wish.scan_id)
    if k is None or not region:
        return WishOutcome(region * cell_mm**2, 0.0, 0.0, 0.0, ())
    rest = choice.others(k)
    covered = core & choice.spread([k], choice.covers.__getitem__)
    is_here = labels == k + 1
    met = covered & (is_here if wish.want is Want.PREFER else ~is_here)
    unmet = covered & ~met
    lone = np.zeros_like(covered)
    if wish.want is Want.AVOID:
        lone = covered & ~choice.spread(rest, choice.covers.__getitem__)
        unmet &= ~lone
    against = _takers(choice, [k] if wish.want is Want.PREFER else rest, unmet)
    count = max(int(covered.sum()), 1)
    met_fraction, lone_fraction = (float(some.sum()) / count for some in (met, lone))
    return WishOutcome(region * cell_mm**2, float(covered.sum()) / region, met_fraction, lone_fraction, against)


def _takers(choice: _Choice, which: Sequence[int], where: Mask) -> tuple[int, ...]:
    """Positions of the wishes that took some of these parts out somewhere."""
    found = {
        int(number) - 1
        for i in which
        for number in np.unique(choice.taken_by[i][where[choice.parts[i].place] & choice.covers[i]])
        if number
    }
    return tuple(sorted(found))


def _area(lattice: Lattice, corners_px: Points) -> _Area:
    """The cells of a region. A region so narrow that it covers no cell's centre has the cells that it touches."""
    corners = (np.array(corners_px, dtype=np.float64) + 0.5) / lattice.cell_px
    touched = _centres_inside(corners, (lattice.rows, lattice.columns))
    core = touched.copy()
    for columns, rows in _sides(corners):
        inside = (rows >= 0) & (columns >= 0) & (rows < lattice.rows) & (columns < lattice.columns)
        touched[rows[inside], columns[inside]] = True
    if not core.any():
        core = touched.copy()
    grown = cv2.dilate(touched.view(np.uint8), np.ones((3, 3), np.uint8)) > 0
    return _Area(core, grown & ~core)


def _centres_inside(corners: NDArray[np.float64], shape: tuple[int, int]) -> Mask:
    """Cells (rows, columns) whose centres lie inside a polygon in cells, by the parity of the sides to their left."""
    inside = np.zeros(shape, bool)
    x0, y0 = (max(0, int(v)) for v in np.floor(corners.min(axis=0)))
    x1, y1 = (min(int(v), n) for v, n in zip(np.ceil(corners.max(axis=0)), shape[::-1], strict=True))
    if x0 >= x1 or y0 >= y1:
        return inside
    xs, ys = np.arange(x0, x1) + 0.5, np.arange(y0, y1) + 0.5
    box = inside[y0:y1, x0:x1]
    for (ax, ay), (bx, by) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        crossed = (ys >= min(ay, by)) & (ys < max(ay, by))
        if crossed.any():
            at = ax + (ys[crossed] - ay) * (bx - ax) / (by - ay)
            box[crossed] ^= at[:, None] <= xs
    return inside


def _sides(corners: NDArray[np.float64]) -> Iterator[tuple[NDArray[np.int64], NDArray[np.int64]]]:
    """Columns and rows of the cells along each side."""
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        count = int(np.hypot(*(b - a)) / STEP_CELLS) + 2
        places = np.floor(a + np.linspace(0.0, 1.0, count)[:, None] * (b - a)).astype(np.int64)
        yield places[:, 0], places[:, 1]
