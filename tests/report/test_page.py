"""The page: whole, self-contained, escaped, readable, and every figure the record's own."""

from __future__ import annotations

import dataclasses
import math
import re
from html.parser import HTMLParser
from typing import Any

import numpy as np
import pytest
from scipy.interpolate import BSpline

from stitch.model.bed import Bed, BedSource
from stitch.model.codec import to_plain
from stitch.model.findings import Finding, Severity
from stitch.model.report import RunSummary
from stitch.model.scans import Scan
from stitch.model.settings import ToneMatch
from stitch.model.tone import FlatUse, SlopeSource
from stitch.report import files, measures
from stitch.report.document import style
from stitch.report.html import VOID_TAGS, el
from stitch.report.page import page
from stitch.report.spots import Spot, crop_spots
from tests.report.summaries import NAMES, Run, many_findings

PICTURE = files.png_bytes(np.full((40, 30, 3), 99, np.uint8))


class Reader(HTMLParser):
    """Reads a page: its elements, its text, and whether every element is closed in order."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.figures: list[tuple[str, str | None, str]] = []  # where from, exact value, text shown
        self.pieces: list[str] = []
        self.pending: list[tuple[str, str | None, int, int]] = []
        self.faults: list[str] = []
        self.feed(html)
        self.close()
        self.text = "".join(self.pieces)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        known = {key: value or "" for key, value in attrs}
        self.elements.append((tag, known))
        if tag not in VOID_TAGS:
            self.open.append(tag)
        if "data-of" in known:
            value = known.get("value", known.get("data-value"))
            self.pending.append((known["data-of"], value, len(self.open), len(self.pieces)))

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open[-1] != tag:
            self.faults.append(f"</{tag}> closes {self.open[-3:]}")
            return
        if self.pending and self.pending[-1][2] == len(self.open):
            of, value, _, start = self.pending.pop()
            self.figures.append((of, value, "".join(self.pieces[start:])))
        self.open.pop()

    def handle_data(self, data: str) -> None:
        if not self.open or self.open[-1] != "style":
            self.pieces.append(data)


def spots_of(run: Run, summary: RunSummary) -> tuple[Spot, ...]:
    blank = np.zeros((360, 360, 3), np.uint8)
    return crop_spots(lambda w: blank, summary.seams or (), lambda w: blank[..., 0], run.canvas, run.ppi, 5)


def read(summary: RunSummary, spots: tuple[Spot, ...] = ()) -> Reader:
    return Reader(page(summary, preview_png=PICTURE, seam_map_png=PICTURE, spots=spots))


def cases() -> list[Any]:
    made = []
    for seed in range(3):
        run = Run(seed, columns=2 + seed % 2, rows=2 + seed)
        made.append((run, run.summary(findings=many_findings(), weak=seed)))
    for seed, source in enumerate(BedSource, start=10):
        run = Run(seed, columns=2, rows=3)
        made.append((run, dataclasses.replace(run.summary(), layout=run.desk_layout(source))))
    run = Run(7)
    made.append((run, run.stopped()))
    made.append(
        (run, dataclasses.replace(run.stopped(), scans=(), sha256_after=(), findings=(), links_found=(), exit_code=3))
    )
    return made


@pytest.mark.parametrize("case", cases())
def test_every_element_is_closed_and_every_link_leads_somewhere(case: Any) -> None:
    reader = read(case[1], spots_of(*case))
    assert reader.faults == [] and reader.open == []
    ids = [known["id"] for _, known in reader.elements if "id" in known]
    assert len(ids) == len(set(ids))
    for _, known in reader.elements:
        if known.get("href", "").startswith("#"):
            assert known["href"][1:] in ids
        if "for" in known:
            assert known["for"] in ids


@pytest.mark.parametrize("case", cases())
def test_nothing_is_asked_of_a_network(case: Any) -> None:
    html = page(case[1], preview_png=PICTURE, seam_map_png=PICTURE, spots=spots_of(*case))
    for tag, known in Reader(html).elements:
        assert tag not in {"script", "link", "iframe", "object", "embed", "base"}
        for name in ("src", "href", "srcset", "poster", "action", "background"):
            assert known.get(name, "#").startswith(("data:", "#"))
        assert not any(name.startswith("on") for name in known)
        assert "url(" not in known.get("style", "")
    assert "url(" not in style() and "@import" not in style() and "http" not in style()


@pytest.mark.parametrize("case", cases())
def test_every_scan_is_named_and_escaped(case: Any) -> None:
    html = page(case[1], preview_png=PICTURE, seam_map_png=PICTURE, spots=spots_of(*case))
    for scan in case[1].scans:
        assert scan.scan_id in Reader(html).text
    assert "odd <name>" not in html and "Küche & Fenster" not in html


@pytest.mark.parametrize(
    "bad", ["<script>alert(1)</script>", "a & b < c > \"d\" 'e' 🎨", "</style><b>", "\x00\x1b[31m"]
)
def test_no_text_of_the_record_becomes_markup(bad: str) -> None:
    run = Run(3)
    summary = run.summary(findings=(Finding("x", Severity.WARNING, bad, bad, (bad,)),))
    settings = dataclasses.replace(summary.settings, title=bad, creator=bad, rights=bad)
    scan = dataclasses.replace(
        summary.scans[0], scan_id=bad, compression=bad, path=summary.scans[0].path.with_name("x")
    )
    summary = dataclasses.replace(summary, settings=settings, job_name=bad, scans=(scan, *summary.scans[1:]))
    reader = read(summary)
    assert reader.faults == [] and not any(
        tag in {"script", "b"} and known for tag, known in reader.elements if tag == "script"
    )
    assert reader.text.count(re.sub(r"[\x00-\x08\x0b-\x1f]", "\N{REPLACEMENT CHARACTER}", bad)) >= 5


def test_attributes_are_escaped() -> None:
    assert el("p", "x", title='" onclick="y') == '<p title="&quot; onclick=&quot;y">x</p>'


def truth(summary: RunSummary, plain: dict[str, Any], of: str) -> float | None:
    """The figure `of` names, worked out from the record without the page's own code."""
    path, *steps = of.split("|")
    if of == "scans|lowest_ppi":
        return min(scan.ppi_x or math.inf for scan in summary.scans)
    if of == "timings|total_s":
        return sum(timing.seconds for timing in summary.timings)
    if "|largest_px" in of:
        steps, value = steps[1:], largest_shift_px(summary, int(path.split(".")[2]))
    else:
        value = seam_truth(summary, path) if path.startswith("seams.") else record(plain, path)
    for step in steps:
        if value is not None:
            scan = summary.scans[int(path.split(".")[1]) if path.startswith("scans.") else 0]
            value = after_step(summary, scan, value, step, is_in_px=path.startswith("scans."))
    return value


def after_step(summary: RunSummary, scan: Scan, value: Any, step: str, *, is_in_px: bool) -> float:
    if step == "difference_mm":
        return float(value["measured_mm"] - value["expected_mm"])
    ppi = scan.ppi_x or math.nan
    lowest = min(other.ppi_x or math.inf for other in summary.scans)
    inch = 1 / ppi if is_in_px else 1 / 25.4
    factors = {"mm": 25.4 / ppi, "in": inch, "percent": 100.0, "mb": 1e-6, "m": 1e-3, "of_lowest": 1 / lowest}
    return float(value) * factors[step]


def largest_shift_px(summary: RunSummary, index: int) -> float:
    """The longest shift of a correction by scipy's B-splines on a fine grid."""
    assert summary.layout is not None
    placement = summary.layout.placements[index]
    size = next(scan.size for scan in summary.scans if scan.scan_id == placement.scan_id)
    correction = placement.correction
    assert correction is not None
    lengths = []
    for plane in (correction.dx_px, correction.dy_px):
        values = np.array(plane)
        for axis, length in enumerate((size.height_px, size.width_px)):
            at = np.linspace(0, (length - 1) / correction.step_px[1 - axis], 500)
            values = BSpline(np.arange(-3, values.shape[axis] + 1), values, 3, axis=axis)(at)
        lengths.append(values)
    return float(np.hypot(*lengths).max())


def record(plain: Any, path: str) -> Any:
    for key in path.split("."):
        plain = plain[int(key)] if isinstance(plain, list | tuple) else plain[key]
    return plain


def seam_truth(summary: RunSummary, path: str) -> float | None:
    """Seam figures by numpy over all points, each weighted by half of the way to its neighbours."""
    parts = path.split(".")
    lines = [summary.seams[int(parts[1])]] if len(parts) == 3 else list(summary.seams or ())
    weights, steps, shifts, sharper = [], [], [], []
    for line in lines:
        pieces = np.hypot(*np.diff(np.array(line.points_px), axis=0).T)
        own = np.convolve(pieces, [0.5, 0.5])
        weights += list(own / own.sum() * line.length_mm)
        steps += list(line.step_de00)
        shifts += [math.nan if shift is None else shift for shift in line.misregistration_px]
        sharper += [math.nan if r is None else 100 * (r - 1 if r >= 1 else 1 / r - 1) for r in line.sharpness_ratio]
    c = np.array(sharper)
    w, s, m = np.array(weights), np.array(steps), np.array(shifts)
    told = ~np.isnan(m)
    answers = {
        "length_mm": w.sum(),
        "mean_step_de00": (w * s).sum() / w.sum(),
        "p95_step_de00": np.quantile(s, 0.95, weights=w, method="inverted_cdf"),
        "worst_step_de00": s.max(),
        "quiet_fraction": w[s < measures.VISIBLE_STEP_DE00].sum() / w.sum(),
        "median_misregistration_px": np.quantile(m[told], 0.5, weights=w[told], method="inverted_cdf"),
        "p95_misregistration_px": np.quantile(m[told], 0.95, weights=w[told], method="inverted_cdf"),
        "worst_misregistration_px": m[told].max(),
        "misregistration_measured_fraction": w[told].sum() / w.sum(),
        "median_sharpness_change_percent": np.quantile(
            c[~np.isnan(c)], 0.5, weights=w[~np.isnan(c)], method="inverted_cdf"
        ),
    }
    return float(answers[parts[-1]])


def wrong_figures(reader: Reader, summary: RunSummary, spots: tuple[Spot, ...]) -> list[str]:
    """The figures on a page that are not the record's, by exact value or as shown."""
    wrong = []
    plain = {**to_plain(summary), "spots": [dataclasses.asdict(spot) for spot in spots]}
    for of, value, shown in reader.figures:
        true = truth(summary, plain, of)
        if value is None:
            if shown != "unknown" or true is not None:
                wrong.append(f"{of}: shown as {shown}, is {true}")
            continue
        digits = re.sub(r"[^\d.\-+]", "", shown.replace("\N{MINUS SIGN}", "-"))
        decimals = len(digits.partition(".")[2])
        looked_for = 0.003 if "|largest_px" in of else 1e-9  # both look for the largest on a grid
        if true is None or not math.isclose(float(value), true, rel_tol=looked_for, abs_tol=1e-12):
            wrong.append(f"{of}: holds {value}, is {true}")
        elif shown.startswith("over "):
            if not float(digits) < true <= 100:
                wrong.append(f"{of}: shows {shown}, is {true}")
        elif abs(float(digits) - float(value)) > 0.5000001 * 10**-decimals:
            wrong.append(f"{of}: shows {shown}, is {true}")
    return wrong


@pytest.mark.parametrize("case", cases())
def test_every_figure_is_the_records_own(case: Any) -> None:
    run, summary = case
    spots = spots_of(run, summary)
    reader = read(summary, spots)
    assert wrong_figures(reader, summary, spots) == []


def test_figures_that_matter_are_on_the_page() -> None:
    run = Run(4)
    summary = run.summary()
    assert summary.layout and summary.seams and summary.size_check and summary.tone
    spots = spots_of(run, summary)
    shown = {of for of, _, _ in read(summary, spots).figures}
    wanted = {
        f"layout.links.{i}.{name}_px{unit}"
        for i in range(len(summary.layout.links))
        for name in ("median", "p95", "max")
        for unit in ("", "|mm")
    }
    wanted |= {f"seams.{i}.{name}_step_de00" for i in range(len(summary.seams)) for name in ("mean", "p95", "worst")}
    wanted |= {f"seams.{i}.length_mm" for i in range(len(summary.seams))}
    wanted |= {f"size_check.readings.{i}.measured_mm{unit}" for i in range(6) for unit in ("", "|in")}
    wanted |= {f"size_check.readings.{i}|difference_mm" for i in range(4)}
    wanted |= {f"size_check.readings.{i}.uncertainty_mm" for i in range(6)}
    wanted |= {f"tone.scans.{i}.gain_rgb.{c}" for i in range(4) for c in range(3)}
    wanted |= {f"tone.scans.{i}.{of}_rgb.{c}" for i in range(1, 4) for of in ("gamma", "offset") for c in range(3)}
    wanted |= {f"tone.evenness.{of}" for of in ("before_l", "after_l", "largest_percent", "reference_percent")}
    wanted |= {"tone.gain_slope_percent", "tone.held_slope_percent"}
    wanted |= {
        f"tone.pairs.{i}.mean_{when}_de00" for i in range(len(summary.tone.pairs)) for when in ("before", "after")
    }
    wanted |= {f"spots.{i}.{name}" for i in range(len(spots)) for name in ("step_de00", "misregistration_px")}
    wanted |= {f"scans.{i}.{name}" for i in range(4) for name in ("ppi_x", "bits", "size.width_px", "size.height_px")}
    wanted |= {"size_check.scale_error_percent", "size_check.squareness_deg", "master_spec.ppi", "tone.common_scale"}
    assert wanted - shown == set()


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("layout.links.1.p95_px", lambda s: links_changed(s, p95_px=0.5)),
        ("layout.links.1.heldout_count", lambda s: links_changed(s, heldout_count=7)),
        (
            "size_check.squareness_deg",
            lambda s: dataclasses.replace(s, size_check=dataclasses.replace(s.size_check, squareness_deg=3.0)),
        ),
        ("tone.common_scale", lambda s: dataclasses.replace(s, tone=dataclasses.replace(s.tone, common_scale=0.5))),
        ("seams.2.worst_step_de00", lambda s: dataclasses.replace(s, seams=(*s.seams[:2], s.seams[1], *s.seams[3:]))),
    ],
)
def test_a_wrong_figure_is_noticed(name: str, change: Any) -> None:
    """The check above is itself checked: hold the page against a record that differs in one figure."""
    run = Run(6)
    summary = run.summary()
    assert any(fault.startswith(name) for fault in wrong_figures(read(summary), change(summary), ()))


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, "Not observable"),
        ({"slope_source": SlopeSource.TURNED_PIECES}, "Scans lay turned to each other, so a slope"),
        ({"slope_source": SlopeSource.FLAT, "flat": FlatUse("sheet.tif", "ab" * 32, 4.5)}, "4.5\N{NO-BREAK SPACE}%"),
        ({"how": ToneMatch.NONE}, "The codes of every scan stay as they are, as --tone none asks"),
        ({"how": ToneMatch.GAIN, "evenness": None}, "left as scanned, as --tone gain asks"),
        ({"evenness": None, "held_slope_percent": 0.0}, "itself keeps its codes, a colour target in it with them"),
    ],
)
def test_what_was_done_to_the_tone_is_said(changes: dict[str, Any], said: str) -> None:
    summary = Run(8).summary()
    assert summary.tone is not None
    told = dataclasses.replace(summary, tone=dataclasses.replace(summary.tone, **changes))
    assert said in read(told).text
    assert all(not fault.startswith("tone") for fault in wrong_figures(read(told), told, ()))


def links_changed(summary: RunSummary, **changes: Any) -> RunSummary:
    assert summary.layout
    links = list(summary.layout.links)
    links[1] = dataclasses.replace(links[1], **changes)
    return dataclasses.replace(summary, layout=dataclasses.replace(summary.layout, links=tuple(links)))


def test_what_is_not_known_is_said_to_be_unknown() -> None:
    summary = Run(5).summary()
    assert summary.size_check
    check = dataclasses.replace(summary.size_check, squareness_deg=None, scale_error_percent=None)
    scans = tuple(dataclasses.replace(scan, ppi_x=None, ppi_y=None, profile=None) for scan in summary.scans)
    reader = read(dataclasses.replace(summary, size_check=check, scans=scans))
    unknown = {of for of, value, shown in reader.figures if value is None and shown == "unknown"}
    assert {"size_check.squareness_deg", "size_check.scale_error_percent", "scans.0.ppi_x"} <= unknown
    assert "the resolution of the scans is unknown" in reader.text and "none embedded" in reader.text


def test_a_stopped_run_says_why_and_what_to_type() -> None:
    summary = Run(2).stopped()
    reader = read(summary)
    assert "Stopped. The scans could not be put together." in reader.text
    assert summary.findings[0].message in reader.text and summary.findings[0].advice in reader.text
    assert "Type this next, in the folder that holds" in reader.text and summary.next_command in reader.text
    assert "No master was written." in reader.text


def test_a_stopped_run_shows_which_scans_hang_together() -> None:
    summary = Run(2).stopped()
    text = read(summary).text
    assert "What is missing is a link between the rows." in text and "alone" in text
    assert len(summary.links_found) == text.count("Holds.") > 0


def test_a_link_without_test_patches_has_no_error() -> None:
    """A link known from features alone holds noughts; they must not be shown as measured."""
    summary = Run(2).stopped()
    bare = {"heldout_count": 0, "median_px": 0.0, "p95_px": 0.0, "max_px": 0.0, "reason": "not measured"}
    bare |= {"expected_px": None, "bound_px": None}
    links = tuple(dataclasses.replace(link, **bare) for link in summary.links_found)
    reader = read(dataclasses.replace(summary, links_found=links))
    errors = [shown for of, _, shown in reader.figures if of.startswith("links_found") and "_px" in of]
    assert errors and set(errors) == {"unknown"}
    assert "Its error is unknown (not measured)." in reader.text and "Holds." not in reader.text
    done = links_changed(Run(2).summary(), heldout_count=0, p95_px=0.0)
    assert "layout.links.1.p95_px" not in {of for of, value, _ in read(done).figures if value is not None}


@pytest.mark.parametrize("code", [2, 3, 4, 5, 70, 130, 99])
def test_every_exit_code_gives_a_page(code: int) -> None:
    summary = dataclasses.replace(Run(2).stopped(), exit_code=code, findings=())
    assert "Stopped." in read(summary).text


def test_a_failed_check_is_the_headline() -> None:
    finding = Finding("size", Severity.FAILED, "The width is 9 mm too large.", "Measure again.")
    reader = read(Run(2).summary(findings=(finding,), exit_code=1, size_ok=False))
    assert "Done, but look here first." in reader.text and "The width is 9 mm too large." in reader.text
    assert "Does not agree." in reader.text


def test_a_changed_scan_is_never_passed_over() -> None:
    summary = Run(2).summary()
    after = ((summary.scans[1].scan_id, "f" * 64), *summary.sha256_after[2:])
    text = read(dataclasses.replace(summary, sha256_after=after)).text
    assert "a scan changed while the run was going on" in text and "Changed!" in text and "f" * 64 in text
    assert "Not checked again." in text
    gone = ((summary.scans[1].scan_id, ""), *summary.sha256_after[2:])
    assert "The file is gone!" in read(dataclasses.replace(summary, sha256_after=gone)).text
    stopped = Run(2).stopped()
    changed = dataclasses.replace(stopped, sha256_after=((stopped.scans[0].scan_id, "e" * 64),))
    assert "never changed" not in read(changed).text


def test_enlarging_is_said() -> None:
    summary = Run(2).summary()
    assert summary.master_spec
    for ppi, words in ((1200.0, "enlarged from"), (300.0, "reduced from"), (600.0, "Nothing was enlarged")):
        spec = dataclasses.replace(summary.master_spec, ppi=ppi)
        assert words in re.sub(r"\s+", " ", read(dataclasses.replace(summary, master_spec=spec)).text)


def test_every_step_of_the_history_is_listed() -> None:
    summary = Run(2).summary()
    assert summary.master_spec
    text = read(summary).text
    assert all(sentence in text for sentence in summary.master_spec.history)


def test_weak_links_edges_out_of_view_and_swapped_sides_are_named() -> None:
    summary = Run(2).summary(weak=1)
    assert summary.size_check
    swapped = dataclasses.replace(summary, size_check=dataclasses.replace(summary.size_check, is_swapped=True))
    text = read(swapped).text
    assert "Weak: few patches with detail" in text and "1 of 5 links weak" in text
    assert "Not in view: right" in text and "the other way round" in text


def test_a_scan_without_a_place_is_named() -> None:
    summary = Run(2).summary()
    assert summary.layout
    layout = dataclasses.replace(summary.layout, placements=summary.layout.placements[:-1])
    assert f"No place was found for {NAMES[3]}." in read(dataclasses.replace(summary, layout=layout)).text


def test_good_answers_are_not_given_without_evidence() -> None:
    summary = dataclasses.replace(Run(2).summary(), size_check=None, seams=(), sha256_after=())
    reader = read(summary)
    cards = [
        known["class"] for tag, known in reader.elements if tag == "a" and known.get("class", "").startswith("card")
    ]
    assert cards == ["card good", "card good", "card open", "card open", "card open"]


def test_pictures_are_held_in_the_page() -> None:
    run = Run(2)
    summary = run.summary()
    reader = read(summary, spots_of(run, summary))
    images = [known for tag, known in reader.elements if tag == "img"]
    assert len(images) == 2 + 2 * 5
    assert all(known["src"].startswith("data:image/png;base64,") and known["alt"] for known in images)


PAIRS = [  # words on ground, as page.css uses them
    ("ink", "ground"),
    ("ink", "paper"),
    ("soft", "ground"),
    ("soft", "paper"),
    ("blue", "ground"),
    ("blue", "paper"),
    ("stop", "paper"),
    ("stop", "ground"),
    ("stop", "stop-wash"),
    ("look", "look-wash"),
    ("ink", "look-wash"),
    ("ink", "stop-wash"),
    ("board-ink", "board"),
    ("board-ink", "ink"),
    ("bright", "good"),
    ("bright", "look"),
    ("bright", "stop"),
    ("bright", "soft"),
    ("paper", "ink"),
]


@pytest.mark.parametrize(("words", "ground"), PAIRS)
def test_words_stand_out_from_their_ground(words: str, ground: str) -> None:
    """WCAG 2.2, success criterion 1.4.3 (AA): 4.5 to 1."""
    colours = dict(re.findall(r"--([\w-]+):\s*(#[0-9a-f]{6});", style()))

    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
        return 0.2126 * r + 0.7152 * g + 0.0722 * b

    high, low = sorted((luminance(colours[words]), luminance(colours[ground])), reverse=True)
    assert (high + 0.05) / (low + 0.05) >= 4.5


SAID = {
    BedSource.UNKNOWN: "Not",
    BedSource.TURNED_PIECES: "Seen on pieces that lay turned by a quarter",
    BedSource.TAPE: "taken from the tape measure",
    BedSource.FILE: "Taken from the scanner file",
}


@pytest.mark.parametrize("source", list(BedSource))
def test_where_the_scanners_shape_is_known_from_is_said(source: BedSource) -> None:
    run = Run(20)
    layout = run.desk_layout(source)
    reader = read(dataclasses.replace(run.summary(), layout=layout))
    if source is BedSource.UNKNOWN:
        assert "could not be compared surely enough, although some pieces lay turned by a quarter" in reader.text
        plain = read(run.summary())
        assert "could not be compared: no piece lay turned by a quarter" in plain.text
        assert not any("layout.bed" in of for of, _, _ in plain.figures)
        felt = dataclasses.replace(layout, bed=Bed(skew_deg=0.06, sigma_skew_deg=0.004))
        reader = read(dataclasses.replace(run.summary(), layout=felt))
        assert "small turns of the scans against each other show it" in reader.text
        shown = {of for of, _, _ in reader.figures if "layout.bed" in of}
        assert shown == {"layout.bed.skew_deg", "layout.bed.sigma_skew_deg"}
        return
    assert SAID[source] in reader.text
    shown = {of for of, _, _ in reader.figures}
    assert {"layout.bed.anisotropy|percent", "layout.bed.sigma_anisotropy|percent", "layout.bed.skew_deg"} <= shown
    assert ("layout.tape_scale.0" in shown) is (source is BedSource.TAPE)


def test_straightened_scans_the_glass_and_how_sure_things_are_have_their_figures() -> None:
    run = Run(21)
    layout = run.desk_layout(BedSource.FILE)
    reader = read(dataclasses.replace(run.summary(), layout=layout))
    shown = {of for of, _, _ in reader.figures}
    wanted = {"layout.correction.before_p95_px", "layout.correction.after_p95_px"}
    wanted |= {f"layout.placements.{i}.correction|largest_px" for i in range(len(layout.placements))}
    wanted |= {f"layout.placements.{i}.{name}" for i in range(3) for name in ("sigma_px", "probability|percent")}
    wanted |= {
        f"layout.links.{i}.{name}" for i in range(2) for name in ("expected_px", "bound_px", "probability|percent")
    }
    assert wanted - shown == set()
    largest = sorted(range(26), key=lambda k: -layout.glass[k].size_mm)
    assert {f"layout.glass.{k}.x_mm" for k in largest[:20]} <= shown
    assert not {f"layout.glass.{k}.x_mm" for k in largest[20:]} & shown
    assert "6 smaller ones are in report.json" in reader.text
    assert sum(known.get("class") == "speck" for tag, known in reader.elements if tag == "circle") == 20


def test_a_scan_left_out_is_listed_as_such_and_not_as_lost() -> None:
    run = Run(22)
    reader = read(dataclasses.replace(run.summary(), layout=run.desk_layout(BedSource.FILE)))
    assert "Left out:" in reader.text and "3 of 4" in reader.text and "Your 3 scans are one picture" in reader.text
    assert "No place was found" not in reader.text


def test_a_link_along_an_edge_and_turned_pieces_are_said_in_plain_words() -> None:
    run = Run(23)
    reader = read(dataclasses.replace(run.summary(), layout=run.desk_layout(BedSource.FILE)))
    assert "It holds in one direction only, as a straight edge does" in reader.text
    assert "Turned by 90° against each other." in reader.text
    assert "half around" in reader.text


def test_a_link_with_ties_says_how_many() -> None:
    run = Run(24)
    summary = run.summary()
    assert summary.layout is not None
    tied = dataclasses.replace(summary.layout.links[0], tie_count=3)
    layout = dataclasses.replace(summary.layout, links=(tied, *summary.layout.links[1:]))
    text = read(dataclasses.replace(summary, layout=layout)).text
    assert text.count("Tied by hand at 3 places.") == 1


def test_a_link_that_nobody_reckoned_is_unknown() -> None:
    run = Run(24)
    summary = run.summary()
    assert summary.layout is not None
    bare = dataclasses.replace(summary.layout.links[0], probability=None, expected_px=None, bound_px=None)
    layout = dataclasses.replace(summary.layout, links=(bare, *summary.layout.links[1:]))
    shown = {of: text for of, _, text in read(dataclasses.replace(summary, layout=layout)).figures}
    for name in ("expected_px", "bound_px", "probability"):
        assert shown[f"layout.links.0.{name}"] == "unknown"


def test_islands_around_specks_have_no_row_but_are_counted() -> None:
    summary = Run(24).summary()
    assert summary.seams is not None
    small = dataclasses.replace(summary.seams[0], length_mm=7.0)
    text = read(dataclasses.replace(summary, seams=(*summary.seams, small, small))).text
    assert "2 seams are shorter than 20 mm" in text
    assert "shorter than 20 mm" not in read(summary).text
    shown = {of for of, _, _ in read(dataclasses.replace(summary, seams=(*summary.seams, small))).figures}
    assert f"seams.{len(summary.seams)}.length_mm" not in shown and "seams.0.length_mm" in shown
