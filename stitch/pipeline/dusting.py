"""Dust in a finished picture: found, listed, and mended where it is proven or the painter says so."""

from __future__ import annotations

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stitch.compose.windows import BASE_MB
from stitch.dust.book import LIST_DECIMALS, honoured, read_spots, write_spots
from stitch.dust.mend import from_donor, from_likeness, reach_px
from stitch.errors import UsageError
from stitch.imaging.affine import mm_from_px
from stitch.imaging.spots import Capsule
from stitch.imaging.windows import bands
from stitch.master.png import PngWriter
from stitch.master.writer import MasterWriter
from stitch.model.dust import DustSpot, Proof, Verdict
from stitch.model.geometry import Window
from stitch.pipeline.derived import (
    USUAL_MEMORY_MB,
    Original,
    asked_of,
    named,
    opened,
    require_names,
    spec_of,
    strips_for,
    write_picture,
    writing,
)
from stitch.pipeline.dust_proofs import JobProofs, Proven
from stitch.pipeline.dust_proposed import proposed
from stitch.pipeline.dust_shown import Patch, mask_of, mask_rows, patched, place_of, sheet_of, soft_px
from stitch.pipeline.kept_job import opened_job
from stitch.progress import SILENT, Progress

USUAL_LIMIT = 0.005  # of the area
BYTES_A_PX = 120
HELD_MB = 80  # places, labels and tables of a job


@dataclass(frozen=True, slots=True)
class DustRequest:
    """What is asked for."""

    path: Path
    job: Path | None = None  # the folder of the job that made it
    out: Path | None = None  # a folder; None: beside the picture
    mend: tuple[int, ...] = ()  # numbers of the list that the painter accepts,
    keep: tuple[int, ...] = ()  # and that she refuses
    limit: float = USUAL_LIMIT  # share of the area that may be mended
    memory_mb: int = USUAL_MEMORY_MB
    force: bool = False


@dataclass(frozen=True, slots=True)
class DustSummary:
    """What was found and done. `picture` is None when more than the limit was to be mended: then nothing was."""

    picture: Path | None
    book: Path
    mask: Path
    sheet: Path
    spots: tuple[DustSpot, ...]
    from_scans: int  # specks mended by what another scan shows
    mended_fraction: float  # of the area


def mend_dust(request: DustRequest, progress: Progress = SILENT) -> DustSummary:
    """Find the dust of a finished picture, write the list, and mend what is proven or accepted.

    Raises UsageError (a list that cannot be read, a job that does not fit), ScanError, WriteError. The picture appears
    whole or not at all.
    """
    if not 0 < request.limit <= 0.2:
        raise UsageError(f"--limit: {100 * request.limit:g} % cannot be.", advice="Take more than 0 and at most 20.")
    picture, book, mask, sheet = (
        named(request.path, request.out, end) for end in ("_dust.tif", "_dust.csv", "_dust_mask.png", "_dust_sheet.png")
    )
    require_names((picture, mask, sheet), request.path, force=request.force)
    listed = read_spots(book)
    with ExitStack() as stack:
        original = stack.enter_context(opened(request.path, book.parent, why_dpi="how large a speck is"))
        strips_for(original.size, original.scan.bits, request.memory_mb, bytes_a_px=BYTES_A_PX, margin_px=64)
        proofs = None if request.job is None else _proofs(stack, original, request.job, progress)
        free_mb = request.memory_mb - BASE_MB - HELD_MB
        proven = () if proofs is None else proofs.proven(free_mb, progress)
        found = [*_listed(proven, original.ppi), *_asked(original, proven, free_mb, progress)]
        spots = _judged(honoured(found, listed), request)
        patches = _patches(original, proofs, spots, progress)
        share = sum(int(patch.speck.sum()) for patch in patches) / (original.size.width_px * original.size.height_px)
        is_within = share <= request.limit
        _write(
            original, request, spots, patches if is_within else [], (picture, book, mask, sheet), is_within=is_within
        )
    return DustSummary(
        picture if is_within else None,
        book,
        mask,
        sheet,
        spots,
        from_scans=sum(patch.is_from_scan for patch in patches),
        mended_fraction=share,
    )


def _proofs(stack: ExitStack, original: Original, root: Path, progress: Progress) -> JobProofs:
    ready, seams = stack.enter_context(opened_job(root, progress))
    if original.size != ready.layout.canvas:
        size, canvas = original.size, ready.layout.canvas
        raise UsageError(
            f"{original.path.name} has {size.width_px} × {size.height_px} pixels and the master of {root.name} "
            f"{canvas.width_px} × {canvas.height_px}: they do not show the same places.",
            advice="Mend the master first, and trim or resize what comes out.",
        )
    return JobProofs(ready, seams, original.source)


def _listed(proven: Sequence[Proven], ppi: float) -> list[DustSpot]:
    return [_spot(one.place, ppi, one.proof, Verdict.MEND, one.note) for one in proven]


def _asked(original: Original, proven: Sequence[Proven], free_mb: float, progress: Progress) -> list[DustSpot]:
    places = proposed(original, [one.place for one in proven], free_mb, progress)
    return [_spot(place, original.ppi, Proof.LOOKS, Verdict.ASK) for place in places]


def _spot(place: Capsule, ppi: float, proof: Proof, verdict: Verdict, note: str = "") -> DustSpot:
    """The place as the list has it, rounded there already, so that a re-run from the list mends the same px."""
    px = (place.x + 0.5, place.y + 0.5, place.width, place.length)
    x, y, size, length = (round(mm_from_px(n, ppi), LIST_DECIMALS) for n in px)
    return DustSpot(0, x, y, size, length, round(place.angle_deg, 1), proof, verdict, note)


def _judged(spots: Sequence[DustSpot], request: DustRequest) -> tuple[DustSpot, ...]:
    """The list with what is accepted and refused by number. Raises UsageError for a number that is not there."""
    said = {**dict.fromkeys(request.mend, Verdict.MEND), **dict.fromkeys(request.keep, Verdict.KEEP)}
    unknown = sorted(set(said) - {spot.number for spot in spots})
    if unknown:
        raise UsageError(
            f"The list has no number {unknown[0]}.", advice="Take those on the contact sheet and in the list."
        )
    return tuple(replace(one, verdict=said[one.number]) if one.number in said else one for one in spots)


def _patches(
    original: Original, proofs: JobProofs | None, spots: Sequence[DustSpot], progress: Progress
) -> list[Patch]:
    ppi, soft = original.ppi, soft_px(original.ppi)
    wanted = [place_of(one, ppi) for one in spots if one.verdict is Verdict.MEND]
    middles = np.array([[one.x, one.y] for one in wanted]).reshape(-1, 2)
    reaches = np.array([(one.length + one.width) / 2 + soft for one in wanted])

    def patch(k: int) -> Patch | None:
        grown = int(np.ceil(reaches[k])) + reach_px(ppi)
        window = Window(round(wanted[k].x), round(wanted[k].y), 1, 1).grown(grown).clipped(original.size)
        speck = mask_of(wanted[k], window, soft)
        near = np.abs(middles - middles[k]).max(axis=1) < grown + reaches
        dirty = np.logical_or.reduce([mask_of(wanted[j], window, soft) for j in np.flatnonzero(near)])
        made = _patch(original, proofs, window, speck, dirty) if speck.any() else None
        task.advance()
        return made

    with (
        ThreadPoolExecutor(os.cpu_count() or 1, thread_name_prefix="mend") as pool,
        progress.task("Mending", len(wanted)) as task,
    ):
        return [made for made in pool.map(patch, range(len(wanted))) if made is not None]


def _patch(
    original: Original, proofs: JobProofs | None, window: Window, speck: NDArray[np.bool_], dirty: NDArray[np.bool_]
) -> Patch:
    codes = original.source.read(window)
    rows, columns = (np.flatnonzero(speck.any(axis=axis)) for axis in (1, 0))
    box = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    around = Window(window.x0_px + int(columns[0]), window.y0_px + int(rows[0]), *speck[box].shape[::-1])
    donor = None if proofs is None else proofs.donor(window, speck, dirty, codes)
    if donor is not None:
        return Patch(around, speck[box].copy(), from_donor(codes, donor, speck, dirty), is_from_scan=True)
    return Patch(around, speck[box].copy(), from_likeness(codes, speck, dirty, original.ppi), is_from_scan=False)


def _write(
    original: Original,
    request: DustRequest,
    spots: Sequence[DustSpot],
    patches: Sequence[Patch],
    files: Sequence[Path],
    *,
    is_within: bool,
) -> None:
    picture, book, mask, sheet = files
    size, bits = original.size, original.scan.bits
    strips = strips_for(size, bits, request.memory_mb, bytes_a_px=BYTES_A_PX, margin_px=64)
    outputs = [mask, sheet, book, *([picture] if is_within else [])]
    with ExitStack() as stack:
        parts = stack.enter_context(writing(outputs, size.width_px * size.height_px * 3 * bits // 8))
        masks = stack.enter_context(
            PngWriter(
                parts[0], size, samples=1, bits=8, ppi=original.ppi, description="White was mended, grey is asked"
            )
        )
        writer = None
        if is_within:
            spec = spec_of(original, _step(spots, patches), settings=("dust", asked_of(request)))
            writer = stack.enter_context(MasterWriter(parts[3], spec, file_name=picture.name))
        for band in bands(size, strips.rows_px):
            masks.write_rows(mask_rows(spots, band, original.ppi))
            if writer is not None:
                writer.write_rows(patched(original.source.read(band), band, patches))
        masks.finish()
        if writer is not None:
            writer.finish()
        board = sheet_of(original, spots, patches)
        write_picture(parts[1], board, ppi=original.ppi, profile=original.scan.profile, description="Specks at 100 %")
        write_spots(parts[2], spots, read_from=book)


def _step(spots: Sequence[DustSpot], patches: Sequence[Patch]) -> str:
    mended = [one for one in spots if one.verdict is Verdict.MEND]
    proven = sum(one.proof in (Proof.GLASS, Proof.ONE_SCAN) for one in mended)
    from_scan = sum(patch.is_from_scan for patch in patches)
    return (
        f"{len(mended)} specks of dust mended, {proven} of them proven by the scans and the rest accepted by hand; "
        f"{from_scan} from another scan, the rest from the paint around"
    )
