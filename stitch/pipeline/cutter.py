"""The ground of a finished picture found, and its motif cut out window by window."""

from __future__ import annotations

import math
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitch.cutout.alpha import Matter, cut, matter_of
from stitch.cutout.ground import GroundMap, GroundTone, NoGround, find_ground, map_ground, reached
from stitch.errors import ScanError, UsageError
from stitch.imaging.affine import px_from_mm
from stitch.imaging.cell_light import cell_light
from stitch.model.geometry import Window
from stitch.pipeline.derived import Original
from stitch.pipeline.mark_file import MarkFile
from stitch.progress import Progress

CELL_MM = 1.0
FINE_MM, MOST_FINE_CELLS = 0.2, 4_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Cutter:
    """Cuts windows of the original."""

    original: Original
    ground: GroundTone
    found: GroundMap
    matter: Matter
    marks: MarkFile | None

    def colour_and_alpha(self, codes: NDArray[Any], window: Window) -> tuple[NDArray[Any], NDArray[Any]]:
        """Colour (h, w, 3) and straight alpha (h, w) of a window, 0..1."""
        keep, drop = (None, None) if self.marks is None else self.marks.at(window)
        floor, ppi = self.found.floor, self.original.ppi
        return cut(codes, window, self.ground, self.matter, floor, ppi, keep=keep, drop=drop)


def make_cutter(
    stack: ExitStack,
    original: Original,
    *,
    ground_mm: tuple[float, float] | None,
    opens_holes: bool,
    marks_path: Path | None,
    progress: Progress,
) -> Cutter:
    """Find the ground, from the border or a named place. Files stay open in `stack`. Raises ScanError, UsageError."""
    cell_px = max(4, round(px_from_mm(CELL_MM, original.ppi)))
    cells = cell_light(original.source, original.encoding, cell_px, label="Measuring the ground", progress=progress)
    shape = cells.rough.shape
    place = _cell(ground_mm, original, cell_px, shape)
    try:
        ground = find_ground(cells, original.encoding, original.mm(cell_px), named=place)
    except NoGround:
        raise ScanError(
            f"{original.path.name} has no single ground along its border.",
            advice="Trim it to the sheet first, or name a place on the ground with --ground 5mm,5mm.",
        ) from None
    area = original.size.width_px * original.size.height_px
    fine_px = max(2, round(px_from_mm(FINE_MM, original.ppi)), math.ceil(math.sqrt(area / MOST_FINE_CELLS)))
    found = map_ground(original.source, ground, fine_px, progress=progress)
    marks = None
    if marks_path is not None:
        marks = MarkFile(marks_path, original.size, original.scratch)
        stack.callback(marks.close)
        found = _marked(found, marks)
    fine_place = _cell(ground_mm, original, fine_px, found.off.shape)
    if fine_place is not None and not found.is_ground[fine_place]:
        raise UsageError(
            f"--ground: {original.path.name} shows no even ground at that place.", advice="Name a place a little apart."
        )
    found = reached(found, named=fine_place, opens_holes=opens_holes)
    if not found.is_outside.any():
        raise ScanError(
            f"{original.path.name} shows no even ground that reaches its border.",
            advice="Name a place on the ground with --ground 5mm,5mm.",
        )
    return Cutter(original, ground, found, matter_of(found, original.ppi), marks)


def _cell(
    ground_mm: tuple[float, float] | None, original: Original, cell_px: int, shape: tuple[int, ...]
) -> tuple[int, int] | None:
    if ground_mm is None:
        return None
    column, row = (int(px_from_mm(mm, original.ppi) // cell_px) for mm in ground_mm)
    if not (0 <= row < shape[0] and 0 <= column < shape[1]):
        raise UsageError(
            f"--ground: that place lies outside {original.path.name}.",
            advice="It counts from the top-left corner, to the right and down.",
        )
    return row, column


def _marked(found: GroundMap, marks: MarkFile) -> GroundMap:
    """The map with what was painted: cells that are marked anywhere."""
    is_ground = found.is_ground.copy()
    for row in range(is_ground.shape[0]):
        top = row * found.cell_px
        band = Window(0, top, found.size.width_px, min(found.cell_px, found.size.height_px - top))
        keep, drop = (_any_in_cells(one, found.cell_px) for one in marks.at(band))
        is_ground[row] = (is_ground[row] | drop) & ~keep
    return replace(found, is_ground=is_ground)


def _any_in_cells(marked: NDArray[np.bool_], cell_px: int) -> NDArray[np.bool_]:
    columns = np.asarray(marked.any(axis=0))
    return np.asarray(np.pad(columns, (0, -len(columns) % cell_px)).reshape(-1, cell_px).any(axis=1))
