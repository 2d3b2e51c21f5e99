"""The motif of a picture on a transparent ground: `NAME_cutout.png`, its mask, and a picture to judge it by."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.compose.windows import BASE_MB
from stitch.cutout.alpha import margin_px
from stitch.errors import ScanError, UsageError
from stitch.imaging.affine import mm_from_px, px_from_mm
from stitch.imaging.resample import sample, source_window
from stitch.imaging.windows import bands
from stitch.master.png import PngWriter
from stitch.master.xmp import xmp_packet
from stitch.model.geometry import Size, Window
from stitch.pipeline.cutter import Cutter, make_cutter
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

BYTES_A_PX = 150
BYTES_A_FINE_CELL = 80
BYTES_A_PX_OUT = 300  # while a band is cut out, averaged and mixed
LEAST_ROWS, MOST_ROWS = 8, 256
USUAL_MARGIN_MM = 2.0
LEAST_CONTENT_MM2 = 0.3  # smaller spots do not decide where the picture is trimmed
PICTURE_PX = 900
GREY = 119 / 255  # L* 50 in sRGB
GROUNDS = (("on white", 1.0), ("on black", 0.0), ("on mid-grey", GREY))
ENLARGED = 1.001


@dataclass(frozen=True, slots=True)
class CutoutRequest:
    """What is asked for."""

    path: Path
    out: Path | None = None  # a folder; None: beside the picture
    ground_mm: tuple[float, float] | None = None  # a place of the ground, from the top-left corner; None: the border
    opens_holes: bool = False  # what shows the ground inside the motif is see-through, too
    marks: Path | None = None  # a mask painted over: white motif, black ground
    margin_mm: float = USUAL_MARGIN_MM
    width_mm: float | None = None  # of what comes out, margin included
    height_mm: float | None = None
    dpi: float | None = None
    bits: int = 16
    memory_mb: int = USUAL_MEMORY_MB
    force: bool = False


@dataclass(frozen=True, slots=True)
class CutoutSummary:
    """What was made."""

    picture: Path
    mask: Path
    comparison: Path
    size: Size
    dpi: float
    width_mm: float
    height_mm: float
    motif_fraction: float  # share of the original's area that is motif


def cut_out(request: CutoutRequest, progress: Progress = SILENT) -> CutoutSummary:
    """Cut the motif of a picture out.

    Raises UsageError, ScanError where the ground cannot be told, WriteError. Files appear whole or not at all.
    """
    _require(request)
    picture, mask, comparison = (
        named(request.path, request.out, end) for end in ("_cutout.png", "_cutout_mask.png", "_cutout_look.png")
    )
    require_names((picture, mask, comparison), request.path, force=request.force)
    if request.marks is not None and request.marks.resolve() == mask.resolve():
        raise UsageError(
            f"The marks {request.marks.name} would be written over.",
            advice="Save what you painted under another name, and give that.",
        )
    with ExitStack() as stack:
        original = stack.enter_context(opened(request.path, picture.parent, why_dpi="how large the motif is"))
        cutter = make_cutter(
            stack,
            original,
            ground_mm=request.ground_mm,
            opens_holes=request.opens_holes,
            marks_path=request.marks,
            progress=progress,
        )
        window = _content(cutter, request)
        size, ppi = _out_size(window, original.ppi, request)
        share = _write(original, request, cutter, window, size, ppi, (picture, mask, comparison), progress)
    return CutoutSummary(
        picture,
        mask,
        comparison,
        size,
        ppi,
        mm_from_px(size.width_px, ppi),
        mm_from_px(size.height_px, ppi),
        motif_fraction=share,
    )


def _require(request: CutoutRequest) -> None:
    if request.bits not in (8, 16):
        raise UsageError(f"--bits: {request.bits} bits a channel are not known here.", advice="Take 16, or 8.")
    if not 0 <= request.margin_mm <= 500:
        raise UsageError(f"--margin: {request.margin_mm:g} mm cannot be.", advice="Take 0 to 500 mm.")
    if request.width_mm is not None and request.height_mm is not None:
        raise UsageError("--width and --height cannot both be met.", advice="Give one; the other follows from it.")


def _content(cutter: Cutter, request: CutoutRequest) -> Window:
    """Where the motif lies, with its margin, inside the picture. Raises ScanError when there is none."""
    original, found = cutter.original, cutter.found
    inside = (~found.is_outside).astype(np.uint8)
    count, _, stats, _ = cv2.connectedComponentsWithStats(inside, connectivity=8)
    least = LEAST_CONTENT_MM2 / original.mm(found.cell_px) ** 2
    boxes = [stats[k] for k in range(1, count) if stats[k, cv2.CC_STAT_AREA] >= least]
    if not boxes:
        raise ScanError(f"{request.path.name} shows nothing but its ground.", advice="Is it the right file?")
    x0, y0 = (min(int(box[k]) for box in boxes) for k in (cv2.CC_STAT_LEFT, cv2.CC_STAT_TOP))
    x1, y1 = (
        max(int(box[at] + box[length]) for box in boxes)
        for at, length in ((cv2.CC_STAT_LEFT, cv2.CC_STAT_WIDTH), (cv2.CC_STAT_TOP, cv2.CC_STAT_HEIGHT))
    )
    cell = found.cell_px
    window = Window(x0 * cell, y0 * cell, (x1 - x0) * cell, (y1 - y0) * cell)
    return window.grown(round(px_from_mm(request.margin_mm, original.ppi))).clipped(original.size)


def _out_size(window: Window, ppi: float, request: CutoutRequest) -> tuple[Size, float]:
    """Pixels and resolution of what comes out. Raises UsageError where it would have to be enlarged."""
    dpi = request.dpi or ppi
    scale = dpi / ppi
    if request.width_mm is not None:
        scale = px_from_mm(request.width_mm, dpi) / window.width_px
    elif request.height_mm is not None:
        scale = px_from_mm(request.height_mm, dpi) / window.height_px
    if scale > ENLARGED:
        raise UsageError(
            f"The motif has {window.width_px} × {window.height_px} pixels, too few for that size at {dpi:g} dpi.",
            advice=f"At that size it has {dpi / scale:.0f} dpi: give --dpi {math.floor(dpi / scale)}, or less.",
        )
    if abs(scale - 1) < 1e-9:
        return Size(window.width_px, window.height_px), dpi
    return Size(max(1, round(window.width_px * scale)), max(1, round(window.height_px * scale))), dpi


def _write(
    original: Original,
    request: CutoutRequest,
    cutter: Cutter,
    window: Window,
    size: Size,
    ppi: float,
    files: Sequence[Path],
    progress: Progress,
) -> float:
    taken = [window.x0_px, window.y0_px, window.width_px, window.height_px]
    asked = {**asked_of(request), "taken_px": taken, "size_px": [size.width_px, size.height_px]}
    spec = spec_of(original, _step(request, size, ppi), settings=("cutout", asked), size=size, ppi=ppi)
    xmp = xmp_packet(spec, datetime.now().astimezone(), "image/png")
    looks = [(words, level, GrowingPreview(size, PICTURE_PX)) for words, level in GROUNDS]
    profile = original.scan.profile
    needed = size.width_px * size.height_px * request.bits // 2 + original.size.width_px * original.size.height_px
    with (
        writing(files, needed) as (picture, mask, comparison),
        PngWriter(picture, size, samples=4, bits=request.bits, ppi=ppi, profile=profile, xmp=xmp) as writer,
        PngWriter(
            mask, original.size, samples=1, bits=8, ppi=original.ppi, description="White is motif; paint over it"
        ) as masks,
    ):
        share = _write_mask(original, request, cutter, masks, progress)
        for band, colour, alpha in _bands(original, request, cutter, window, size, progress):
            writer.write_rows(_rgba(colour, alpha, request.bits))
            for _, level, look in looks:
                mixed = colour * alpha[..., None] + np.float32(level) * (1 - alpha[..., None])
                look.add(band, np.rint(mixed * 255).astype(np.uint8))
        writer.finish()
        masks.finish()
        board = beside([(words, look.picture()) for words, _, look in looks])
        write_picture(comparison, board, ppi=ppi, profile=profile, description="The motif on three grounds")
    return share


def _write_mask(
    original: Original, request: CutoutRequest, cutter: Cutter, masks: PngWriter, progress: Progress
) -> float:
    strips = _strips(original, request, cutter)
    total = 0.0

    def alpha_of(codes: NDArray[Any], window: Window) -> tuple[NDArray[Any], ...]:
        return (cutter.colour_and_alpha(codes, window)[1],)

    for _, _, (alpha,) in worked(
        original.source, strips, margin_px(), alpha_of, label="Finding the edges", progress=progress
    ):
        masks.write_rows(np.rint(alpha * 255).astype(np.uint8))
        total += float(alpha.sum())
    return total / (original.size.width_px * original.size.height_px)


def _strips(original: Original, request: CutoutRequest, cutter: Cutter) -> Any:
    held = cutter.found.off.size * BYTES_A_FINE_CELL / 1e6
    return strips_for(
        original.size, 16, request.memory_mb, bytes_a_px=BYTES_A_PX, margin_px=margin_px(), held_mb=held, samples=4
    )


def _bands(
    original: Original, request: CutoutRequest, cutter: Cutter, window: Window, size: Size, progress: Progress
) -> Iterator[tuple[Window, NDArray[np.float32], NDArray[np.float32]]]:
    """Bands of what comes out: colour (n, width, 3) and alpha (n, width), 0..1."""
    scale = size.width_px / window.width_px, size.height_px / window.height_px
    rows = _rows_at_once(request, cutter, window.width_px / scale[1])
    moved = np.array(
        [
            [scale[0], 0.0, (scale[0] - 1) / 2 - scale[0] * window.x0_px],
            [0.0, scale[1], (scale[1] - 1) / 2 - scale[1] * window.y0_px],
        ]
    )
    with progress.task("Writing the motif", size.megapixels) as task:
        for band in bands(size, rows):
            needed = source_window(moved, band, original.size)
            around = needed.grown(margin_px()).clipped(original.size)
            inner = needed.slices_in(around)
            colour, alpha = (one[inner] for one in cutter.colour_and_alpha(original.source.read(around), around))
            yield band, *_resampled(colour, alpha, needed, moved, band)
            task.advance(band.width_px * band.height_px / 1e6)


def _rows_at_once(request: CutoutRequest, cutter: Cutter, px_a_row: float) -> int:
    """Rows of what comes out that are made at once. `px_a_row` : of the original, that one of them takes."""
    free_mb = request.memory_mb - BASE_MB - cutter.found.off.size * BYTES_A_FINE_CELL / 1e6
    return max(LEAST_ROWS, min(MOST_ROWS, int(free_mb * 1e6 / (px_a_row * BYTES_A_PX_OUT))))


def _resampled(
    colour: NDArray[np.float32], alpha: NDArray[np.float32], needed: Window, moved: NDArray[np.float64], band: Window
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Colours count by their alpha while they are averaged, and are straight again afterwards."""
    mixed = sample(np.ascontiguousarray(colour * alpha[..., None]), needed, moved, band)
    part = np.clip(sample(np.ascontiguousarray(alpha), needed, moved, band), 0, 1)
    plain = sample(np.ascontiguousarray(colour), needed, moved, band)
    straight = np.where(part[..., None] > 1e-3, mixed / np.maximum(part, 1e-3)[..., None], plain)
    return np.clip(straight, 0, 1).astype(np.float32), part.astype(np.float32)


def _rgba(colour: NDArray[np.float32], alpha: NDArray[np.float32], bits: int) -> NDArray[Any]:
    top = 2**bits - 1
    codes = np.rint(np.dstack([colour, alpha]) * top).astype(np.uint8 if bits == 8 else np.uint16)
    codes[codes[..., 3] == 0] = 0
    return codes


def _step(request: CutoutRequest, size: Size, ppi: float) -> str:
    holes = "holes opened" if request.opens_holes else "holes kept"
    marks = ", corrected by marks" if request.marks is not None else ""
    return (
        f"motif cut out on a transparent ground with straight alpha, {holes}{marks}; {size.width_px} × "
        f"{size.height_px} px at {ppi:g} dpi"
    )
