"""The scanner: its own shape, the scans that had to be straightened, and what lies on its glass."""

from __future__ import annotations

import math

from stitch.imaging.affine import mm_from_px, nearest_turn_deg
from stitch.imaging.placed_map import PlacedMap
from stitch.model.bed import Bed, BedSource
from stitch.model.layout import Layout
from stitch.report import measures, words
from stitch.report.html import Html, el, join
from stitch.report.sections.context import Context, section
from stitch.report.sections.glass import glass_drawing

LARGEST_SPECKS = 20

SHAPE_WORDS = {
    BedSource.TURNED_PIECES: "Seen on pieces that lay turned by a quarter, and undone in the master.",
    BedSource.TAPE: "No piece lay turned by a quarter; the scale of each axis was taken from the tape measure "
    "(--fit-size).",
    BedSource.FILE: "Taken from the scanner file (--scanner), and undone in the master.",
}
NOT_COMPARED = (
    "The scanner's two axes could not be compared: no piece lay turned by a quarter. If one of them is a little longer "
    "than it should be, so is the master; no seam shows that, only the tape measure does (with --fit-size it decides)."
)
FELT = (
    "No piece lay turned by a quarter, but the small turns of the scans against each other show it plainly enough to "
    "be undone, so that the overlaps meet. A figure that is not told was not plain; the tape measure is surer (with "
    "--fit-size it decides)."
)
NOT_MEASURED = (
    "The scanner's two axes could not be compared surely enough, although some pieces lay turned by a quarter. They "
    "were taken as equal."
)


def scanner(context: Context) -> Html | None:
    """The section on the scanner; None when the run stopped before anything was known of it."""
    layout = context.summary.layout
    if layout is None:
        return None
    return section(
        "scanner",
        "The scanner",
        "What all scans share because they were made on one glass, by one carriage.",
        el("h3", "Its own shape"),
        _shape(layout),
        el("h3", "Scans that were straightened"),
        _straightened(context, layout),
        el("h3", "What lies on the glass"),
        _glass(context, layout),
        wide=True,
    )


def _shape(layout: Layout) -> Html:
    bed = layout.bed
    return el(
        "dl",
        el("dt", "Known from"),
        el("dd", shape_words(layout)),
        _axes(bed) if bed.source is not BedSource.UNKNOWN or _is_felt(bed) else None,
        _scale(layout),
        class_="facts",
    )


def shape_words(layout: Layout) -> str:
    """Where the scanner's shape is known from."""
    if layout.bed.source is BedSource.UNKNOWN:
        if _is_felt(layout.bed):
            return FELT
        turns = {nearest_turn_deg(placement.matrix) % 180 for placement in layout.placements}
        return NOT_MEASURED if len(turns) > 1 else NOT_COMPARED
    return SHAPE_WORDS[layout.bed.source]


def _is_felt(bed: Bed) -> bool:
    return bed.source is BedSource.UNKNOWN and bool(bed.anisotropy or bed.skew_deg)


def _axes(bed: Bed) -> Html:
    return join(
        el("dt", "Across against along"),
        el(
            "dd",
            words.figure("layout.bed.anisotropy|percent", 100 * bed.anisotropy, words.PERCENT_FINE, signed=True),
            _sigma("layout.bed.sigma_anisotropy|percent", 100 * bed.sigma_anisotropy, words.PERCENT_FINE),
        )
        if bed.anisotropy or not _is_felt(bed)
        else el("dd", "not measured"),
        el("dt", "Off a right angle"),
        el(
            "dd",
            words.figure("layout.bed.skew_deg", bed.skew_deg, words.DEG_FINE, signed=True),
            _sigma("layout.bed.sigma_skew_deg", bed.sigma_skew_deg, words.DEG_FINE),
        )
        if bed.skew_deg or bed.sigma_skew_deg
        else el("dd", "not measured"),
    )


def _sigma(of: str, sigma: float, unit: words.Unit) -> Html | None:
    """The uncertainty behind a figure, one standard deviation; nothing where none was estimated."""
    return join(f" ±{words.NBSP}", words.figure(of, sigma, unit)) if sigma else None


def _scale(layout: Layout) -> Html | None:
    if layout.tape_scale is None:
        return None
    across, down = (
        words.figure(f"layout.tape_scale.{k}", factor, words.FACTOR_FINE) for k, factor in enumerate(layout.tape_scale)
    )
    return join(
        el("dt", "Fitted to the tape"),
        el(
            "dd",
            across,
            " across and ",
            down,
            " down the master. It is as right as the tape was; measuring it against the same tape proves nothing.",
        ),
    )


def _straightened(context: Context, layout: Layout) -> Html:
    fit = layout.correction
    if fit is None:
        return el(
            "p",
            "None. Each scan was placed as one stiff piece; to bend any of them was not needed, or would not have "
            "brought the overlaps closer together.",
        )
    sizes = {scan.scan_id: scan.size for scan in context.summary.scans}
    rows = [
        _bent_row(context, index, PlacedMap.of(placement, sizes[placement.scan_id]))
        for index, placement in enumerate(layout.placements)
        if placement.correction is not None and placement.scan_id in sizes
    ]
    return join(
        el(
            "p",
            "The carriage or the sheet moved unevenly, so these scans were bent a little, smoothly, as far as their "
            "overlaps show it. On patches that a trial had not seen, 95 of 100 lay within ",
            words.figure("layout.correction.before_p95_px", fit.before_p95_px, words.PX),
            " before, and within ",
            words.figure("layout.correction.after_p95_px", fit.after_p95_px, words.PX),
            " after. Only differences between scans can be seen: the shape of the whole may still be off by as much.",
        ),
        words.table(["Scan", "Bent by at most", "That is"], rows, numeric=(1, 2)),
    )


def _bent_row(context: Context, index: int, placed: PlacedMap) -> list[Html | str]:
    assert placed.shifts is not None and context.summary.layout is not None
    scan_id, of = context.summary.layout.placements[index].scan_id, f"layout.placements.{index}.correction|largest_px"
    largest_px = placed.shifts.largest_px
    ppi = measures.scan_ppi(context.summary, scan_id)
    return [
        context.named(scan_id),
        words.figure(of, largest_px, words.PX_COARSE),
        words.figure(f"{of}|mm", measures.length_or_none_mm(largest_px, ppi), words.MM),
    ]


def _glass(context: Context, layout: Layout) -> Html:
    if not layout.glass:
        return el(
            "p",
            "Nothing was found that sits at the same place in the scans. (It takes three scans or more to tell dirt on "
            "the glass from marks on the painting.)",
        )
    shown = sorted(enumerate(layout.glass), key=lambda item: -item[1].size_mm)[:LARGEST_SPECKS]
    rest = len(layout.glass) - len(shown)
    return join(
        el(
            "p",
            el("b", "Clean the glass here."),
            " These sit at the same place in most scans, so they are dust, hairs or scratches on the glass. They had "
            "no say in how the scans were placed, but they are in the scans and so in the master. Left and right are "
            "as in the scan; seen from above the glass they may be the other way round.",
        ),
        glass_drawing(shown, glass_size_mm(context), of="layout.glass"),
        el("p", f"{rest} smaller ones are in report.json.", class_="small") if rest else None,
    )


def glass_size_mm(context: Context) -> tuple[float, float]:
    """Width and height of the part of the glass that was scanned: that of the largest scan, with all specks."""
    sizes = [
        (mm_from_px(scan.size.width_px, ppi), mm_from_px(scan.size.height_px, ppi))
        for scan in context.summary.scans
        for ppi in (measures.scan_ppi(context.summary, scan.scan_id),)
        if ppi
    ]
    glass = context.summary.layout.glass if context.summary.layout else ()
    sizes += [(speck.x_mm, speck.y_mm) for speck in glass]
    return max(math.ceil(w) for w, _ in sizes), max(math.ceil(h) for _, h in sizes)
