"""A master trimmed to its sheet or its paint, squared, with one resampling at most: `NAME_trim.tif`."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitch.compose.windows import BASE_MB
from stitch.errors import ScanError, UsageError
from stitch.imaging.affine import corners as grid_corners
from stitch.imaging.affine import px_from_mm
from stitch.imaging.projective import project
from stitch.master.writer import MasterWriter
from stitch.model.geometry import Window
from stitch.model.settings import Measured, Resample
from stitch.model.size import SizeCheck, SizeReading
from stitch.pipeline.derived import (
    CODES_COPIES,
    SIDES_PX,
    USUAL_MEMORY_MB,
    Original,
    named,
    opened,
    require_names,
    spec_of,
    write_picture,
    writing,
)
from stitch.progress import SILENT, Progress
from stitch.report.preview import preview
from stitch.scans.readers import open_image
from stitch.size.evidence import AMBIGUOUS
from stitch.size.lines import meet
from stitch.size.measure import measure
from stitch.size.verdict import Length, judged
from stitch.trim.cutting import cut_bands, rows_read
from stitch.trim.drawn import draw_outline
from stitch.trim.square import SQUARE_DEG, USUAL_LIMIT_DEG, Cut, Lean, cut_for, lean_of, missing_px

FloatArray = NDArray[np.float64]
Place = tuple[float, float]
Corners = tuple[Place, Place, Place, Place]

MASTER, LABELS = "master", "seam-labels.tif"
SURE_MM = 0.25  # an edge less sure than this is not cut along
RAGGED_MM, TAPER_MOST_DEG = 0.04, 0.075  # edges less sure than this prove no larger taper: one of them went astray
TURN_LIMIT_DEG = 5.0
BYTES_A_BLOCK = 40_000_000  # of each thread
PICTURE_PX = 1600
BY_HAND = "Give the four corners by hand: --preview draws rulers to read them from."


@dataclass(frozen=True, slots=True)
class TrimRequest:
    """What is asked for. `corners_mm`: by hand, clockwise from the top left, in mm from the picture's top-left."""

    path: Path
    out: Path | None = None
    to: Measured = Measured.SHEET
    border_mm: float = 0.0  # kept around; negative: cut off inside
    corners_mm: Corners | None = None
    limit_deg: float = USUAL_LIMIT_DEG  # most shear and taper undone
    only_turn: bool = False
    width_mm: float | None = None
    height_mm: float | None = None
    resample: Resample = Resample.USUAL
    only_preview: bool = False
    memory_mb: int = USUAL_MEMORY_MB
    force: bool = False


@dataclass(frozen=True, slots=True)
class TrimSummary:
    """What was made. `picture` is None after a preview alone, `lean` where nothing could be cut (`why_not`)."""

    picture: Path | None
    outline: Path
    lean: Lean | None = None
    is_whole: bool = False  # pixels were copied, none made anew
    size_px: tuple[int, int] = (0, 0)
    readings: tuple[SizeReading, ...] = ()  # width and height of the new picture, its border left out
    evidence: tuple[tuple[str, str], ...] = ()  # side, what it was found by
    why_not: str = ""


def trim(request: TrimRequest, progress: Progress = SILENT) -> TrimSummary:
    """Trim a finished picture, or only draw where it would be cut.

    Raises UsageError, WriteError, and ScanError where an edge is not in view, could be another than the one asked for,
    or is too far from square.
    """
    ends = ["_trim.png"] if request.only_preview else ["_trim.tif", "_trim.png"]
    files = [named(request.path, request.out, end) for end in ends]
    require_names(files, request.path, force=request.force)
    with opened(request.path, files[0].parent, why_dpi="how large the painting is") as original:
        if request.only_preview:
            return _previewed(original, request, files[0], progress)
        found = _found(original, request, progress)
        drawn = _drawn(original, found, progress)
        with writing(files, _bytes(original, found.cut)) as parts:
            _write(original, request, found.cut, found.lean, parts[0], progress)
            _write_outline(original, drawn, parts[1])
    return _summary(found, files[0], files[1])


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    corners: FloatArray
    check: SizeCheck | None
    lean: Lean
    cut: Cut
    readings: tuple[SizeReading, ...]


def _found(original: Original, request: TrimRequest, progress: Progress) -> _Found:
    """Where it is cut, or why not."""
    corners, check = _corners(original, request, progress)
    lean = lean_of(corners)
    _require_square(original, request, lean, check)
    cut = cut_for(corners, px_from_mm(request.border_mm, original.ppi), only_turn=request.only_turn)
    _require_inside(original, request, cut)
    return _Found(corners, check, lean, cut, _readings(original, request, cut))


def _previewed(original: Original, request: TrimRequest, file: Path, progress: Progress) -> TrimSummary:
    """Draw where it would be cut; where nothing would be, the rulers alone, to read corners from, and why."""
    found, stop = None, ""
    try:
        found = _found(original, request, progress)
    except (ScanError, UsageError) as error:
        stop = str(error)
    drawn = _drawn(original, found, progress)
    with writing([file], 0) as parts:
        _write_outline(original, drawn, parts[0])
    return TrimSummary(None, file, why_not=stop) if found is None else _summary(found, None, file)


def _drawn(original: Original, found: _Found | None, progress: Progress) -> NDArray[np.uint8]:
    small = preview(original.source, long_side_px=PICTURE_PX, progress=progress)
    if found is None:
        return draw_outline(small, original.size, original.mm(1.0), None, None)
    size = found.cut.size
    ring = project(found.cut.picture_from_cut, grid_corners(size.width_px, size.height_px))
    return draw_outline(small, original.size, original.mm(1.0), found.corners, ring)


def _write_outline(original: Original, drawn: NDArray[np.uint8], part: Path) -> None:
    words = f"Where {original.path.name} is cut"
    write_picture(part, drawn, ppi=original.ppi, profile=None, description=words)


def _summary(found: _Found, picture: Path | None, outline: Path) -> TrimSummary:
    return TrimSummary(
        picture,
        outline,
        found.lean,
        found.cut.is_whole,
        (found.cut.size.width_px, found.cut.size.height_px),
        found.readings,
        () if found.check is None else tuple((edge.side, edge.evidence) for edge in found.check.edges),
    )


def _corners(original: Original, request: TrimRequest, progress: Progress) -> tuple[FloatArray, SizeCheck | None]:
    if request.corners_mm is not None:
        return np.array(request.corners_mm) * px_from_mm(1.0, original.ppi) - 0.5, None
    with _covered(original) as covered:
        check = measure(
            original.source,
            original.ppi,
            covered=covered,
            width_mm=request.width_mm,
            height_mm=request.height_mm,
            measured=request.to,
            progress=progress,
        )
    _require_edges(original, request, check)
    lines = {edge.side: (np.array(edge.start_px), np.array(edge.end_px)) for edge in check.edges}
    ring = (("left", "top"), ("right", "top"), ("right", "bottom"), ("left", "bottom"))
    return np.stack([meet(lines[a], lines[b]) for a, b in ring]), check


@contextmanager
def _covered(original: Original) -> Iterator[Callable[[Window], NDArray[np.bool_]] | None]:
    """Which pixels some scan made, by the labels beside a job's master; None where there are none of its size."""
    beside = [folder / LABELS for folder in original.path.absolute().parents[:2]]  # a chain's pictures lie one deeper
    labels = next((path for path in beside if path.is_file()), None)
    if labels is None or not original.path.name.startswith(MASTER):
        yield None
        return
    scan, source = open_image(labels, scratch=original.scratch)
    try:
        yield (lambda window: source.read(window)[..., 0] > 0) if scan.size == original.size else None
    finally:
        source.close()


def _require_edges(original: Original, request: TrimRequest, check: SizeCheck) -> None:
    name = original.path.name
    hidden = [edge.side for edge in check.edges if not edge.is_in_view]
    if hidden:
        raise ScanError(f"The {_listed(hidden)} edge of {name} is not in view, so nothing was cut.", advice=BY_HAND)
    unsure = [edge.side for edge in check.edges if original.mm(edge.sigma_px or 0.0) > SURE_MM]
    if unsure:
        raise ScanError(
            f"The {_listed(unsure)} edge of {name} is not known to {SURE_MM:g} mm, so nothing was cut.", advice=BY_HAND
        )
    _require_right_edge(name, request, check)


def _require_right_edge(name: str, request: TrimRequest, check: SizeCheck) -> None:
    """A blank margin scanned without any lid looks like a lid; only the tape tells the two apart."""
    wrong = [reading for reading in check.readings if reading.is_ok is False]
    if wrong:
        raise ScanError(
            f"The outline found in {name} measures {wrong[0].measured_mm:.1f} mm where the tape says "
            f"{wrong[0].expected_mm or 0.0:.1f} mm ({wrong[0].name}), so nothing was cut.",
            advice="Look at it with --preview, measure again, or give the four corners by hand.",
        )
    is_proved = request.width_mm is not None and request.height_mm is not None
    doubtful = [edge.side for edge in check.edges if edge.evidence == AMBIGUOUS]
    if doubtful and request.to is Measured.SHEET and not is_proved:
        raise ScanError(
            f"The {_listed(doubtful)} edge found in {name} may be the sheet's or that of the paint on a blank margin.",
            advice="Give --width and --height by the tape, or say --to paint, or give the four corners by hand.",
        )


def _require_square(original: Original, request: TrimRequest, lean: Lean, check: SizeCheck | None) -> None:
    sigmas = [] if check is None else [original.mm(edge.sigma_px or 0.0) for edge in check.edges]
    if lean.taper_deg > TAPER_MOST_DEG and max(sigmas, default=0.0) > RAGGED_MM:
        raise ScanError(
            f"Opposite edges found in {original.path.name} are {2 * lean.taper_deg:.2f}° off parallel, and too "
            "ragged to be sure of that, so nothing was cut.",
            advice=BY_HAND,
        )
    if abs(lean.turn_deg) > TURN_LIMIT_DEG:
        raise ScanError(
            f"{original.path.name} would be turned by {lean.turn_deg:+.1f}°; at most {TURN_LIMIT_DEG:g}° are undone.",
            advice="Check the corners: clockwise, from the top left.",
        )
    if not request.only_turn and lean.corner_deg > request.limit_deg:
        raise ScanError(
            f"A corner found in {original.path.name} is {lean.corner_deg:.2f}° off a right angle; "
            f"scanning leaves less than {request.limit_deg:g}°, so the work itself may not be square.",
            advice="Take --only-turn to leave its shape alone, or allow more with --limit.",
        )


def _require_inside(original: Original, request: TrimRequest, cut: Cut) -> None:
    out_px = missing_px(cut, original.size)
    if out_px <= 0.5:
        return
    left = request.border_mm - original.mm(out_px)
    advice = f"Take a border of at most {left:.1f} mm." if left > 0.1 else "Take no border, or check the corners."
    raise UsageError(
        f"The cut reaches {original.mm(out_px):.1f} mm beyond {original.path.name}; nothing is invented there.",
        advice=advice,
    )


def _readings(original: Original, request: TrimRequest, cut: Cut) -> tuple[SizeReading, ...]:
    border = 2 * request.border_mm if request.border_mm > 0 else 0.0
    sides = (("width", cut.size.width_px), ("height", cut.size.height_px))
    lengths = [Length(axis, axis, original.mm(px) - border, original.mm(0.5)) for axis, px in sides]
    whole = (None, None) if request.border_mm < 0 else (request.width_mm, request.height_mm)
    return judged(lengths, *whole, None)[0]


def _write(original: Original, request: TrimRequest, cut: Cut, lean: Lean, part: Path, progress: Progress) -> None:
    cores = os.cpu_count() or 1
    rows = _rows(original, cut, request.memory_mb, cores)
    spec = spec_of(original, _told(request, cut, lean), size=cut.size, settings=("trim", _settings(request, cut)))
    with (
        MasterWriter(part, spec, file_name=part.name) as writer,
        ThreadPoolExecutor(cores, thread_name_prefix="cut") as pool,
        progress.task("Cutting", cut.size.height_px) as task,
    ):
        for band, codes in cut_bands(original.source, cut, rows, request.resample, pool):
            writer.write_rows(codes)
            task.advance(band.height_px)
        writer.finish()


def _rows(original: Original, cut: Cut, memory_mb: int, cores: int) -> int:
    """Rows of a band, as many as the budget allows. Raises UsageError."""
    row_bytes = max(original.size.width_px, cut.size.width_px) * 3 * original.scan.bits // 8
    held = BASE_MB + cores * BYTES_A_BLOCK / 1e6
    needed = [(rows, held + (2 * rows_read(cut, rows) + CODES_COPIES * rows) * row_bytes / 1e6) for rows in SIDES_PX]
    for rows, mb in needed:
        if mb <= memory_mb:
            return rows
    raise UsageError(
        f"{memory_mb} MB of memory is too little for {original.path.name}.",
        advice=f"Give --memory {int(needed[-1][1]) + 1} or more.",
    )


def _told(request: TrimRequest, cut: Cut, lean: Lean) -> str:
    kept = f", {request.border_mm:g} mm kept around it" if request.border_mm else ""
    by = "four corners given by hand" if request.corners_mm else f"the {request.to.value}'s edges"
    if cut.is_whole:
        return f"cropped along {by}{kept}; already square to {SQUARE_DEG:g}°, so no pixel was made anew"
    undone = "turned" if request.only_turn else f"turned, shear {lean.shear_deg:+.3f}° and taper undone"
    return f"cropped along {by}{kept}; {undone} by {-lean.turn_deg:+.3f}°, resampled once ({request.resample.value})"


def _settings(request: TrimRequest, cut: Cut) -> dict[str, Any]:
    return {
        "to": request.to.value,
        "border_mm": request.border_mm,
        "limit_deg": request.limit_deg,
        "only_turn": request.only_turn,
        "resample": request.resample.value,
        "picture_from_cut": [float(f"{value:.12g}") for value in cut.picture_from_cut.reshape(-1)],
        "size_px": [cut.size.width_px, cut.size.height_px],
    }


def _bytes(original: Original, cut: Cut) -> int:
    return cut.size.width_px * cut.size.height_px * 3 * original.scan.bits // 8


def _listed(sides: list[str]) -> str:
    return sides[0] if len(sides) == 1 else f"{', '.join(sides[:-1])} and {sides[-1]}"
