"""From scans to a layout: placed, the painting's outline found, holes refused, a canvas laid around it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.errors import RegisterError
from stitch.imaging.affine import FloatArray, apply, compose, invert, nearest_turn_deg
from stitch.model.bed import Bed
from stitch.model.findings import Finding
from stitch.model.layout import Layout
from stitch.model.scans import PixelSource
from stitch.model.settings import JoinSettings
from stitch.model.ties import Distance, TieBook
from stitch.pipeline.by_hand import contradictions, deciding, prepared
from stitch.pipeline.by_ruler import fit_by_ruler
from stitch.pipeline.check_places import mirrored_findings
from stitch.pipeline.check_quality import block_findings, filled_findings
from stitch.pipeline.fitting import Fitted, fit_size, has_tape
from stitch.pipeline.job import Job
from stitch.pipeline.keep import load_record, require_same, save_record
from stitch.pipeline.laying import Laid, laid_in
from stitch.pipeline.looking import reduce_and_look
from stitch.pipeline.memory import give_back
from stitch.pipeline.needless import without_needless
from stitch.pipeline.noticed import gap_findings, glass_findings, left_out_findings
from stitch.pipeline.refusing import mirrored_of, refuse_holes
from stitch.pipeline.seen_placed import measured, told_by_join
from stitch.pipeline.small_copies import feature_threads, long_side_px
from stitch.register.arrange import Keep, arrange, keep_around, upright_from_nominal
from stitch.register.composite import Composite, composite
from stitch.register.place import Registration, register
from stitch.register.reduced import Reduced
from stitch.size.outline import Outline, Side, find_outline

WHITE = (1.0, 1.0, 1.0)
KEEP_ORDER = (Side.LEFT, Side.TOP, Side.RIGHT, Side.BOTTOM)
LOOKED_SHARE = 0.3  # of each cell's rows, for what is told of focus and sharpening: more costs time and adds little
NEAR_PX = 9  # picture px beside an uncovered place that lend it their colour


@dataclass(frozen=True, slots=True)
class Placed:
    """Where every scan lies, what was noticed, and the colour for canvas that no scan covers."""

    layout: Layout
    findings: tuple[Finding, ...]
    uncovered_rgb: tuple[float, float, float]  # encoded 0..1
    painting_px: tuple[tuple[float, float], ...] | None  # its corners on the canvas, where all its edges are certain
    observed_bed: Bed | None = None  # what this run saw of the scanner's shape, where a file was used


def place(
    job: Job,
    sources: Mapping[str, PixelSource],
    ppi: Mapping[str, float],
    bed: Bed | None,
    scanned: str,
    book: TieBook,
    keys: Mapping[str, str],
) -> tuple[Placed, str]:
    """Place all scans on one canvas.

    `bed` : the scanner's own shape, where a file says it; `book` : what was said by hand; `keys` : what decides the
    pixels of each scan.

    Raises RegisterError when they cannot be placed, or leave a hole that was not allowed for.
    """
    saved = job.folder.work / "layout.json"
    wanted = {**_wanted(job.settings, ppi), "encoding": job.encoding.name}
    book = deciding(book, job.settings)

    def make() -> Placed:
        known = job.keeper.known
        sizes = [source.size for source in sources.values()]
        reduced, looks = reduce_and_look(
            sources,
            ppi,
            rows_share=LOOKED_SHARE,
            long_side_px=long_side_px(sizes, job.settings.memory_mb),
            jobs=job.threads,
            store=known,
            keys=keys,
            progress=job.progress,
        )
        give_back()
        few = feature_threads([one.size for one in reduced.values()], job.settings.memory_mb, job.threads)
        hand = prepared(book, sources, ppi)
        try:
            registration = register(
                sources,
                reduced,
                ppi,
                jobs=job.threads,
                feature_jobs=few,
                encoding=job.encoding,
                bed=bed,
                ties=hand.ties,
                apart=hand.apart,
                store=known,
                pixel_keys=keys,
                progress=job.progress,
            )
        except RegisterError as stop:
            stop.findings = tuple(mirrored_findings(mirrored_of(stop, reduced, ppi, job.threads)))
            raise
        told = (*registration.findings, *hand.findings, *contradictions(registration, hand))
        registration = replace(registration, findings=told)

        def quality(laid: Laid) -> list[Finding]:
            seen = measured(laid, reduced, looks, ppi, job.encoding, job.threads)
            return told_by_join([*seen.findings, *block_findings(looks), *filled_findings(reduced)], registration.links)

        found = _laid_out(registration, reduced, sources, job, book.distances, quality)
        save_record(saved, found)
        known.forget_unused()
        return found

    def load() -> Placed:
        found = load_record(Placed, saved)
        placed = [placement.scan_id for placement in found.layout.placements]
        require_same([*placed, *(one.scan_id for one in found.layout.left_out)], sources)
        return found

    return job.keeper.room(
        "register",
        [scanned],
        {**wanted, "scanner": bed, "ties": book},
        [saved],
        make=make,
        load=load,
    )


def _wanted(settings: JoinSettings, ppi: Mapping[str, float]) -> dict[str, object]:
    """The settings that this room reads; the tape only where it decides the size."""
    wanted: dict[str, object] = {"dpi": settings.dpi, "up_deg": settings.up_deg, "ppi": dict(ppi)}
    wanted["allow_gaps"] = settings.allow_gaps
    wanted["tape_mm"] = (settings.width_mm, settings.height_mm) if settings.fit_size else None
    return wanted


def _laid_out(
    registration: Registration,
    reduced: Mapping[str, Reduced],
    sources: Mapping[str, PixelSource],
    job: Job,
    distances: Sequence[Distance],
    quality: Callable[[Laid], list[Finding]],
) -> Placed:
    """From placements in a common frame to a canvas around the painting; `quality` : what the laid scans show."""
    settings = job.settings
    upright, picture, outline = _seen(registration, reduced, job.threads)
    nominal = _nominal_outline(outline, picture, upright)
    registration, left_out = without_needless(registration, reduced, sources, nominal)
    if left_out:
        upright, picture, outline = _seen(registration, reduced, job.threads)
    laid = laid_in(registration, upright, picture, outline)
    gaps = laid.gaps
    if not settings.allow_gaps:
        refuse_holes(gaps, registration, upright)
    if settings.fit_size and not has_tape(settings):
        fitted = fit_by_ruler(distances, registration.placed(), registration.nominal_ppi, registration.bed)
    else:
        fitted = fit_size(outline, picture.px_per_mm, registration.bed, settings, is_tied=_has_quarters(registration))
    upright_from_picture = compose(fitted.matrix, picture.upright_from_picture)
    layout = arrange(
        registration,
        compose(fitted.matrix, upright),
        _keep(outline, upright_from_picture, registration.nominal_ppi),
        canvas_ppi=settings.dpi or registration.nominal_ppi,
        up_deg=settings.up_deg,
    )
    layout = replace(layout, bed=fitted.bed, tape_scale=_as_it_lies(fitted, settings.up_deg), left_out=left_out)
    canvas_from_picture = compose(_canvas_from_upright(registration, upright, fitted, layout), upright_from_picture)
    holes = gap_findings(gaps, canvas_from_picture, layout.canvas_ppi, picture.px_per_mm)
    return Placed(
        layout,
        (*registration.findings, *quality(laid), *fitted.findings, *_noticed(layout), *holes),
        _uncovered_rgb(picture, outline),
        _painting_px(outline, canvas_from_picture),
        registration.observed_bed,
    )


def _seen(
    registration: Registration, reduced: Mapping[str, Reduced], jobs: int
) -> tuple[FloatArray, Composite, Outline]:
    """Which way is up, the small picture of all scans, and the painting's outline in it."""
    upright = upright_from_nominal(registration)
    picture = composite(registration, reduced, upright)
    return upright, picture, find_outline(picture.rgb, picture.covered, picture.px_per_mm, jobs=jobs)


def _nominal_outline(outline: Outline, picture: Composite, upright: FloatArray) -> FloatArray | None:
    """The painting's corners in nominal px, where all its edges were seen."""
    corners = _whole_outline(outline)
    return None if corners is None else apply(compose(invert(upright), picture.upright_from_picture), corners)


def _noticed(layout: Layout) -> list[Finding]:
    return left_out_findings(layout.left_out) + glass_findings(layout.glass)


def _has_quarters(registration: Registration) -> bool:
    """True when some scans lie turned by a quarter against others."""
    return len({nearest_turn_deg(pose.matrix()) % 180 for pose in registration.poses.values()}) > 1


def _as_it_lies(fitted: Fitted, up_deg: int) -> tuple[float, float] | None:
    """The tape's factors across and down the master as it is turned in the end."""
    return fitted.scale[::-1] if fitted.scale is not None and up_deg % 180 else fitted.scale


def uncovered_code(placed: Placed, bits: int) -> tuple[int, int, int]:
    """The colour for canvas that no scan covers, as codes of the master."""
    top = 2**bits - 1
    red, green, blue = (round(min(max(value, 0.0), 1.0) * top) for value in placed.uncovered_rgb)
    return red, green, blue


def _keep(outline: Outline, upright_from_picture: FloatArray, ppi: float) -> Keep:
    """Crop to the painting and a small border, only on sides where it is certain that nothing of it is lost."""
    safe = tuple(outline.side(side).is_safe_to_crop for side in KEEP_ORDER)
    return keep_around(apply(upright_from_picture, outline.corners_px), safe, ppi)


def _uncovered_rgb(picture: Composite, outline: Outline) -> tuple[float, float, float]:
    """The colour of the lid beside the places that no scan covers; white when there is no such place."""
    beside = cv2.dilate((~picture.covered).astype(np.uint8), np.ones((NEAR_PX, NEAR_PX), np.uint8)) > 0
    beside &= picture.covered & ~_inside(outline, picture.covered.shape)
    if not beside.any():
        return WHITE
    red, green, blue = (float(v) for v in np.median(picture.rgb[beside], axis=0))
    return red, green, blue


def _canvas_from_upright(registration: Registration, upright: FloatArray, fitted: Fitted, layout: Layout) -> FloatArray:
    """The map from the fitted upright frame, (2, 3)."""
    anchor = registration.anchor
    upright_from_scan = compose(fitted.matrix, compose(upright, registration.poses[anchor].matrix()))
    return compose(layout.placement(anchor).matrix, invert(upright_from_scan))


def _painting_px(outline: Outline, canvas_from_picture: FloatArray) -> tuple[tuple[float, float], ...] | None:
    if not all(side.is_safe_to_crop for side in outline.sides):
        return None
    return tuple((float(x), float(y)) for x, y in apply(canvas_from_picture, outline.corners_px))


def _inside(outline: Outline, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    mask = np.zeros(shape[:2], np.uint8)
    cv2.fillConvexPoly(mask, np.round(outline.corners_px).astype(np.int32), 1)
    return mask > 0


def _whole_outline(outline: Outline) -> FloatArray | None:
    """The painting's corners when all four edges were seen, else None."""
    return outline.corners_px if all(side.is_in_view for side in outline.sides) else None
