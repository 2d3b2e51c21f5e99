"""The paper of a master lifted to a white: `NAME_paper.tif`, a mask of what was lifted, and before beside after."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stitch.errors import ScanError, UsageError
from stitch.imaging.affine import px_from_mm
from stitch.imaging.cell_light import CellLight, cell_light
from stitch.imaging.colour import xyz_y_from_lightness
from stitch.master.png import PngWriter
from stitch.master.writer import MasterWriter
from stitch.model.size import Edge
from stitch.paper.cover import Reading, margin_px, read_noise
from stitch.paper.lift import Lifter, Wish
from stitch.paper.tone import NoPaper, PaperTone, WhyNot, find_paper
from stitch.pipeline.derived import (
    USUAL_MEMORY_MB,
    Original,
    asked_of,
    named,
    opened,
    require_names,
    spec_of,
    strips_for,
    worked,
    write_picture,
    writing,
)
from stitch.progress import SILENT, Progress
from stitch.report.beside import beside
from stitch.report.preview import GrowingPreview
from stitch.size.measure import measure

USUAL_DENSITY = 0.12
CELL_MM = 1.0
INSIDE_MM = 1.5  # kept away from the sheet's edges when its paper is measured
BYTES_A_PX = 220  # while a block is lifted
PICTURE_PX = 1400

_WORDS = {
    WhyNot.DARK: ("nothing in it is light enough to be white paper", ""),
    WhyNot.LITTLE: ("no bare paper that enough of it shares was found", ""),
    WhyNot.UNEVEN: ("its lightest parts vary as paint does, not as paper", ""),
    WhyNot.RIM: ("the only even light part lies along its border, which may be the scanner's lid", "Trim it first. "),
    WhyNot.CLIPPED: ("its paper is at the top of the scale already", "There is nothing to lift. "),
}


@dataclass(frozen=True, slots=True)
class PaperRequest:
    """What is asked for."""

    path: Path
    out: Path | None = None  # a folder; None: beside the picture
    white: float = 100.0  # L* of the white that the paper becomes
    strength: float = 1.0  # 0..1: how far it is taken there
    keeps_texture: bool = False
    density: float = USUAL_DENSITY  # of washes that are kept as they are
    at_mm: tuple[float, float] | None = None  # a place that is said to be bare, from the top-left corner
    memory_mb: int = USUAL_MEMORY_MB
    force: bool = False


@dataclass(frozen=True, slots=True)
class PaperSummary:
    """What was made."""

    picture: Path
    mask: Path
    comparison: Path
    paper_lab: tuple[float, float, float]  # of the bare paper as it was
    bare_fraction: float  # of the sheet, by which the paper was measured
    lifted_fraction: float  # of all pixels that changed
    fine_density: float  # from which even a thin line is kept as it is
    wash_density: float  # from which a wash is


def lift_paper(request: PaperRequest, progress: Progress = SILENT) -> PaperSummary:
    """Lift the paper of a finished picture.

    Raises UsageError, ScanError where there is no blank paper to measure, WriteError. Files appear whole or not at all.
    """
    _require(request)
    files = [named(request.path, request.out, end) for end in ("_paper.tif", "_paper_mask.png", "_paper.png")]
    require_names(files, request.path, force=request.force)
    with opened(request.path, files[0].parent, why_dpi="what is fine and what is not") as original:
        paper, reading, on_sheet = _measured(original, request, progress)
        wish = Wish(float(xyz_y_from_lightness(np.array(request.white))), request.strength, request.keeps_texture)
        lifter = Lifter(paper, reading, original.encoding, wish, original.ppi)
        lifted = _write(original, request, lifter, files, progress)
        lab = original.encoding.lab_of_linear(paper.mean_light)
    picture, mask, comparison = files
    return PaperSummary(
        picture,
        mask,
        comparison,
        paper_lab=(float(lab[0]), float(lab[1]), float(lab[2])),
        bare_fraction=float(paper.bare.sum() / on_sheet.sum()),
        lifted_fraction=lifted,
        fine_density=reading.lines_from,
        wash_density=reading.washes_from,
    )


def _require(request: PaperRequest) -> None:
    if not 80.0 <= request.white <= 100.0:
        raise UsageError(f"--white: {request.white:g} is no white.", advice="Take a lightness L* of 80 to 100.")
    if not 0.0 < request.strength <= 1.0:
        raise UsageError(
            f"--strength: {100 * request.strength:g} % cannot be.", advice="Take more than 0 and at most 100."
        )
    if not 0.03 <= request.density <= 0.5:
        raise UsageError(f"--density: {request.density:g} cannot be.", advice="Take 0.03 to 0.5; usual is 0.12.")


def _measured(
    original: Original, request: PaperRequest, progress: Progress
) -> tuple[PaperTone, Reading, NDArray[np.bool_]]:
    cell_px = max(4, round(px_from_mm(CELL_MM, original.ppi)))
    cells = cell_light(original.source, original.encoding, cell_px, label="Measuring the paper", progress=progress)
    place = _named_cell(request, cells, original.ppi)
    on_sheet = np.ones(cells.rough.shape, bool)
    try:
        try:
            paper = find_paper(cells, original.encoding, on_sheet, original.mm(cell_px), named=place)
        except NoPaper as reason:
            if reason.why is not WhyNot.RIM:
                raise
            edges = measure(original.source, original.ppi, progress=progress).edges
            on_sheet = _on_sheet(cells, edges, px_from_mm(INSIDE_MM, original.ppi))
            if on_sheet.all():
                raise
            paper = find_paper(cells, original.encoding, on_sheet, original.mm(cell_px), named=place)
        return paper, read_noise(original.source, paper, original.encoding, original.ppi, request.density), on_sheet
    except NoPaper as stop:
        words, first = _WORDS[stop.why]
        advice = f"{first}If there is bare paper, name a place on it with --at 20mm,30mm."
        raise ScanError(f"{request.path.name} has no blank paper to measure: {words}.", advice=advice) from None


def _on_sheet(cells: CellLight, edges: Sequence[Edge], inset_px: float) -> NDArray[np.bool_]:
    """Cells whose middle lies inside all edges that are in view."""
    rows, columns = cells.rough.shape
    y, x = np.meshgrid(*((np.arange(n) + 0.5) * cells.cell_px - 0.5 for n in (rows, columns)), indexing="ij")
    middle = np.array([cells.size.width_px, cells.size.height_px]) / 2
    inside = np.ones((rows, columns), bool)
    for edge in edges:
        if edge.start_px is None or edge.end_px is None:
            continue
        start, end = np.array(edge.start_px), np.array(edge.end_px)
        along = (end - start) / max(float(np.hypot(*(end - start))), 1e-9)
        normal = np.array([-along[1], along[0]])
        normal *= np.sign(normal @ (middle - start)) or 1.0
        inside &= (x - start[0]) * normal[0] + (y - start[1]) * normal[1] > inset_px
    return inside if inside.any() else np.ones((rows, columns), bool)


def _named_cell(request: PaperRequest, cells: CellLight, ppi: float) -> tuple[int, int] | None:
    if request.at_mm is None:
        return None
    column, row = (int(px_from_mm(mm, ppi) // cells.cell_px) for mm in request.at_mm)
    if not (0 <= row < cells.rough.shape[0] and 0 <= column < cells.rough.shape[1]):
        raise UsageError(
            f"--at: {request.at_mm[0]:g} mm, {request.at_mm[1]:g} mm lies outside {request.path.name}.",
            advice="It counts from the top-left corner, to the right and down.",
        )
    return row, column


def _write(
    original: Original, request: PaperRequest, lifter: Lifter, files: Sequence[Path], progress: Progress
) -> float:
    size, bits = original.size, original.scan.bits
    margin = margin_px(original.ppi)
    strips = strips_for(size, bits, request.memory_mb, bytes_a_px=BYTES_A_PX, margin_px=margin)
    spec = spec_of(original, _step(request, lifter), settings=("paper", asked_of(request)))
    before, after = GrowingPreview(size, PICTURE_PX), GrowingPreview(size, PICTURE_PX)
    lifted = 0.0
    needed = size.width_px * size.height_px * (3 * bits // 8 + 1)
    with (
        writing(files, needed) as (picture, mask, comparison),
        MasterWriter(picture, spec, file_name=files[0].name) as writer,
        PngWriter(mask, size, samples=1, bits=8, ppi=original.ppi, description="White was lifted") as shares,
    ):
        rows = worked(original.source, strips, margin, lifter.lifted, label="Lifting the paper", progress=progress)
        for band, codes, (made, share) in rows:
            writer.write_rows(made)
            shares.write_rows(np.rint(share * 255).astype(np.uint8))
            lifted += float((share > 0).sum())
            before.add(band, codes)
            after.add(band, made)
        writer.finish()
        shares.finish()
        board = beside([("as it was", before.picture()), ("lifted", after.picture())])
        write_picture(
            comparison, board, ppi=original.ppi, profile=original.scan.profile, description="Before beside after"
        )
    return lifted / (size.width_px * size.height_px)


def _step(request: PaperRequest, lifter: Lifter) -> str:
    texture = "its texture kept" if request.keeps_texture else "its texture evened out"
    return (
        f"paper lifted to L* {request.white:g} at {100 * request.strength:g} %, {texture}; washes of a density from "
        f"{lifter.reading.washes_from:.2f} on and lines from {lifter.reading.lines_from:.2f} on as they were"
    )
