"""The page of a check: whether the painting may be put away, what is covered, and every scan in a row of its own."""

from __future__ import annotations

import math

from stitch.model.check import CheckedScan, CheckRecord, Verdict
from stitch.model.findings import Finding, Severity
from stitch.report import words
from stitch.report.coverage import AGAIN, FINE, MISSING
from stitch.report.document import document
from stitch.report.html import Child, Html, el, join
from stitch.report.numbering import numbers_of, sort_key
from stitch.report.sections.context import named_scan, section
from stitch.report.sections.glass import glass_drawing
from stitch.report.sections.painting import image
from stitch.report.sections.said import Named, finding_section, verdict_box
from stitch.report.turns import TURN_WORDS
from stitch.report.verdict import scans_words

LARGEST_SPECKS = 12
UNTITLED = "plan"  # what stands for a plan without a heading
HEADS = ("Scan", "Place", "Size", "File", "Light", "Fine detail", "Clipped paint", "How it lay", "Verdict")
KEY = (
    (FINE, "a scan that is good"),
    (AGAIN, "a scan to make again"),
    (MISSING, "a piece of the plan that is missing"),
)


def check_page(record: CheckRecord, *, coverage_png: bytes | None = None) -> str:
    """The page as HTML text, to be written as UTF-8. `coverage_png` : the picture, None when nothing was placed."""
    numbers = numbers_of(scan.scan_id for scan in record.scans)

    def named(scan_id: str) -> Html:
        return named_scan(str(numbers.get(scan_id, "?")), scan_id)

    failed = [one for one in record.findings if one.severity is Severity.FAILED]
    rest = [one for one in record.findings if one.severity is not Severity.FAILED]
    headline = _headline(record)
    main = el(
        "main",
        _verdict(record, headline, failed, named),
        _coverage(record, coverage_png),
        finding_section(rest, "What was noticed besides, and what you can do about it.", named),
        _scans(record, named),
        _shared(record, named),
        _glass(record),
    )
    return document(f"{record.name}: {headline}", record.tool_version, _header(record), main, _footer(record))


def _headline(record: CheckRecord) -> str:
    return "Good to put away." if record.verdict is Verdict.GOOD else "Do not put the painting away yet."


def _header(record: CheckRecord) -> Html:
    plan = "held against the plan" if record.plan else ""
    if record.plan and record.plan != UNTITLED:
        plan += f" “{record.plan}”"
    by = [part for part in (plan, words.day(record.checked_at)) if part]
    return el(
        "header",
        el("p", "Check of scans before they are joined", class_="kind"),
        el("h1", record.name),
        el("p", " · ".join(by), class_="by"),
        class_="masthead",
    )


def _verdict(record: CheckRecord, headline: str, failed: list[Finding], named: Named) -> Html:
    placed = sum(scan.is_placed for scan in record.scans)
    said = [f"{placed} of {scans_words(len(record.scans))} placed."]
    if record.verdict is Verdict.GOOD:
        return verdict_box("done", "✓", headline, [*said, "Nothing needs to be scanned again."], (), named)
    return verdict_box("look", "!", headline, said, failed, named, _todo(record, named))


def _todo(record: CheckRecord, named: Named) -> Html | None:
    again = [join(named(name), Html(" ")) for name in record.scan_again]
    return join(
        el("p", "Scan these again:", class_="next") if again else None,
        el("p", again) if again else None,
        el("p", "Scan what is missing:", class_="next") if record.missing else None,
        el("ul", [el("li", where) for where in record.missing]) if record.missing else None,
    )


def _coverage(record: CheckRecord, coverage_png: bytes | None) -> Html:
    lead = "All scans laid over each other as their small copies show it, good to about a millimetre."
    if coverage_png is None:
        return section("coverage", "What is covered", lead, el("p", "No two scans could be linked: nothing to draw."))
    swatches = [
        el("li", el("span", class_="swatch", style=f"--c:{colour};--w:.25rem"), el("span", meaning))
        for colour, meaning in KEY
    ]
    alt = f"{len(record.scans)} scans and their frames; {len(record.missing) or 'no'} pieces missing"
    picture = el("div", el("figure", image(coverage_png, alt)), class_="pair alone")
    return section("coverage", "What is covered", lead, picture, el("ul", swatches, class_="key"), wide=True)


def _scans(record: CheckRecord, named: Named) -> Html:
    lead = (
        "Light and fine detail are compared with most scans, where two show the same paint: 0 % and 100 % are alike. "
        "Clipped paint is the share of its pixels, in the worst channel, at the darkest or lightest value there is."
    )
    rows = [
        _row(record, index, scan, named)
        for index, scan in sorted(enumerate(record.scans), key=lambda item: sort_key(item[1].scan_id))
    ]
    return section("scans", "The scans", lead, words.table(HEADS, rows, class_="scans"), wide=True)


def _row(record: CheckRecord, index: int, scan: CheckedScan, named: Named) -> list[Child]:
    of = f"scans.{index}"
    light = None if scan.light is None else 100 * (scan.light - 1)
    detail = None if scan.detail is None else 100 * scan.detail
    return [
        named(scan.scan_id),
        scan.place or ("not in the plan" if record.plan and scan.is_placed else "–"),
        join(
            words.figure(f"{of}.width_mm", scan.width_mm, words.MM_COARSE),
            " × ",
            words.figure(f"{of}.height_mm", scan.height_mm, words.MM_COARSE),
        ),
        join(
            words.figure(f"{of}.ppi", scan.ppi, words.DPI),
            el("br"),
            words.figure(f"{of}.bits", scan.bits, words.COUNT),
            " bits",
        ),
        words.figure(f"{of}.light|percent", light, words.SHARE, signed=True),
        words.figure(f"{of}.detail|percent", detail, words.SHARE),
        join(
            "dark ",
            words.figure(f"{of}.clipped_low|percent", 100 * max(scan.clipped_low), words.SHARE),
            el("br"),
            "light ",
            words.figure(f"{of}.clipped_high|percent", 100 * max(scan.clipped_high), words.SHARE),
        ),
        _lay(record, scan, of),
        _judged(record, scan),
    ]


def _lay(record: CheckRecord, scan: CheckedScan, of: str) -> Child:
    if any(one.code == "mirrored" and scan.scan_id in one.scan_ids for one in record.findings):
        return el("span", "mirrored", class_="alarm")
    if not scan.is_placed:
        return el("span", "No place was found.", class_="alarm")
    turned = TURN_WORDS.get(scan.turn_deg, "like the others")
    return join(turned, el("br"), words.figure(f"{of}.skew_deg", scan.skew_deg, words.Unit("°", lambda v: 1)), " askew")


def _judged(record: CheckRecord, scan: CheckedScan) -> Child:
    if scan.scan_id in record.scan_again:
        return el("span", "Scan again.", class_="alarm")
    warned = any(one.severity is Severity.WARNING and scan.scan_id in one.scan_ids for one in record.findings)
    return "Good, see the findings." if warned else "Good."


def _shared(record: CheckRecord, named: Named) -> Html | None:
    if not record.shared:
        return None
    rows = [
        [
            join(named(one.scan_a), el("br"), named(one.scan_b)),
            words.figure(f"shared.{index}.width_mm", one.width_mm, words.MM_COARSE),
            el("span", "too thin", class_="alarm") if one.is_thin else "enough",
        ]
        for index, one in enumerate(record.shared)
    ]
    lead = "How wide the strip is that two neighbours both show. 30 mm and more is comfortable."
    return section(
        "shared", "What neighbours share", lead, words.table(["Neighbours", "Strip", ""], rows, numeric=(1,))
    )


def _glass(record: CheckRecord) -> Html | None:
    if not record.glass:
        return None
    shown = sorted(enumerate(record.glass), key=lambda item: -item[1].size_mm)[:LARGEST_SPECKS]
    size_mm = (
        max(math.ceil(v) for v in (*(s.width_mm for s in record.scans), *(g.x_mm for g in record.glass))),
        max(math.ceil(v) for v in (*(s.height_mm for s in record.scans), *(g.y_mm for g in record.glass))),
    )
    rest = len(record.glass) - len(shown)
    return section(
        "glass",
        "The glass",
        "Clean it here. Left and right are as in the scan; seen from above the glass they may be the other way round.",
        glass_drawing(shown, size_mm, of="glass"),
        el("p", f"{rest} smaller ones are in check.json.", class_="small") if rest else None,
        wide=True,
    )


def _footer(record: CheckRecord) -> Html:
    return el(
        "footer",
        el("p", f"Made by stitch {record.tool_version} on {words.day(record.checked_at)}."),
        el("p", "A check works on small copies; it does not stand in for the measures of stitch join."),
        el("p", "This page holds everything it shows; it needs no network. The same figures are in check.json."),
    )
