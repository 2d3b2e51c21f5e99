"""The scans as they came in, and proof that they were not touched."""

from __future__ import annotations

from stitch.imaging.affine import MM_PER_INCH
from stitch.model.scans import Scan
from stitch.report import words
from stitch.report.html import Html, el, join
from stitch.report.numbering import sort_key
from stitch.report.sections.context import Context, section
from stitch.report.sections.pixels import profile_words
from stitch.report.turns import TURN_WORDS, turns_on_glass


def scans(context: Context) -> Html:
    """The table of scans."""
    lead = (
        "Keep these files: they are the originals. The master can be made again from them, never the other way round."
    )
    found = context.summary.scans
    if not found:
        return section("scans", "The scans", lead, el("p", "No scan could be read."))
    heads = ["Scan", "File", "Size", "Resolution", "Colour", "Clipped", "Its place", "After the run"]
    rows = [
        _row(context, index, scan)
        for index, scan in sorted(enumerate(found), key=lambda item: sort_key(item[1].scan_id))
    ]
    return section("scans", "The scans", lead, words.table(heads, rows, class_="scans"), wide=True)


def _row(context: Context, index: int, scan: Scan) -> list[Html | str]:
    of = f"scans.{index}"
    page = f", page {scan.page_index + 1}" if scan.page_index else ""
    return [
        context.named(scan.scan_id),
        join(
            el("span", scan.path.name, class_="name"),
            f"{page}, {scan.file_format}, compression: {scan.compression}, ",
            words.figure(f"{of}.byte_count|mb", scan.byte_count / 1e6, words.Unit("MB", lambda value: 1)),
        ),
        join(
            words.figure(f"{of}.size.width_px", scan.size.width_px, words.COUNT),
            " × ",
            words.figure(f"{of}.size.height_px", scan.size.height_px, words.COUNT),
            f"{words.NBSP}px",
            el("br"),
            el("span", _paper_size(scan, of), class_="aside"),
        ),
        _resolution(scan, of),
        join(
            words.figure(f"{of}.bits", scan.bits, words.COUNT),
            " bits, grey" if scan.is_grey else " bits",
            el("br"),
            profile_words(scan.profile),
        ),
        join(
            "dark ",
            words.figure(f"{of}.clipped_low_fraction|percent", 100 * scan.clipped_low_fraction, words.SHARE),
            el("br"),
            "light ",
            words.figure(f"{of}.clipped_high_fraction|percent", 100 * scan.clipped_high_fraction, words.SHARE),
        ),
        _place(context, scan.scan_id),
        _untouched(context, scan),
    ]


def _place(context: Context, scan_id: str) -> Html | str:
    """How surely the scan lies where it does, how it lay on the glass, or why it is not in the master."""
    layout = context.summary.layout
    if layout is None:
        return "not placed"
    for one in layout.left_out:
        if one.scan_id == scan_id:
            return join("Left out: ", context.named(one.kept_id), " shows the same and is sharper.")
    for index, placement in enumerate(layout.placements):
        if placement.scan_id == scan_id:
            of = f"layout.placements.{index}"
            turn = turns_on_glass(layout)[scan_id]
            return join(
                "right: ",
                words.chance(f"{of}.probability", placement.probability),
                el("br"),
                f"±{words.NBSP}",
                words.figure(f"{of}.sigma_px", placement.sigma_px, words.PX),
                join(el("br"), el("span", TURN_WORDS[turn], class_="aside")) if turn else None,
            )
    return el("span", "No place was found.", class_="alarm")


def _paper_size(scan: Scan, of: str) -> Html | str:
    if not scan.ppi_x or not scan.ppi_y:
        return "size in mm unknown"
    width, height = (
        pixels * MM_PER_INCH / ppi
        for pixels, ppi in ((scan.size.width_px, scan.ppi_x), (scan.size.height_px, scan.ppi_y))
    )
    return join(
        words.figure(f"{of}.size.width_px|mm", width, words.MM_COARSE),
        " × ",
        words.figure(f"{of}.size.height_px|mm", height, words.MM_COARSE),
        " (",
        words.figure(f"{of}.size.width_px|in", width / MM_PER_INCH, words.Unit("in", lambda value: 2)),
        " × ",
        words.figure(f"{of}.size.height_px|in", height / MM_PER_INCH, words.Unit("in", lambda value: 2)),
        ")",
    )


def _resolution(scan: Scan, of: str) -> Html:
    across = words.figure(f"{of}.ppi_x", scan.ppi_x, words.DPI)
    if scan.ppi_x == scan.ppi_y:
        return across
    return join(across, " across, ", words.figure(f"{of}.ppi_y", scan.ppi_y, words.DPI), " down")


def _untouched(context: Context, scan: Scan) -> Html:
    after = dict(context.summary.sha256_after).get(scan.scan_id)
    before = el("code", scan.sha256, class_="hash")
    if after is None:
        return join("Not checked again. SHA-256 before the run: ", before)
    if after == "":
        return join(el("span", "The file is gone!", class_="alarm"), " SHA-256 before the run: ", before)
    if after == scan.sha256:
        return join("Unchanged: same SHA-256 before and after.", el("br"), before)
    return join(
        el("span", "Changed!", class_="alarm"), " Before: ", before, " after: ", el("code", after, class_="hash")
    )
