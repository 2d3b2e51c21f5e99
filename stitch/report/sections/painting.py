"""The painting with its seams, the seam map, the seams one by one, and the worst spots."""

from __future__ import annotations

import base64

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.model.geometry import Size
from stitch.report import measures, scale, words
from stitch.report.files import mime_type, picture_size_px
from stitch.report.html import Html, el, join
from stitch.report.seam_map import class_runs
from stitch.report.sections.context import Context, section
from stitch.report.spots import Spot

SHORT_MM = 20.0  # seams shorter than this have no row of their own
LINE_DETAIL = 3200  # a seam on the page follows its course to one part in this of the long side


def data_uri(picture: bytes) -> str:
    """A PNG or JPEG as text that a page can hold."""
    return f"data:{mime_type(picture)};base64,{base64.b64encode(picture).decode('ascii')}"


def image(picture: bytes, alt: str, **attributes: str | int | None) -> Html:
    """An image held in the page itself."""
    width, height = picture_size_px(picture)
    return el("img", src=data_uri(picture), alt=alt, width=width, height=height, **attributes)


def painting(context: Context) -> Html | None:
    """The master with seams and spots to switch on and off, and the seam map beside it."""
    if not context.preview and not context.seam_map:
        return None
    lead = (
        "On the left the master as it is, with its seams drawn in; switch them off to see whether you can find them. "
    )
    return section(
        "painting",
        "The painting and its seams",
        lead + "The seam map shows which scan made each part.",
        el("div", _stage(context), _map(context), class_="pair"),
        _key(),
        wide=True,
    )


def _stage(context: Context) -> Html | None:
    if not context.preview:
        return None
    has_seams, has_spots = bool(context.summary.seams and context.canvas), bool(context.spots and context.canvas)
    return el(
        "figure",
        el("input", type="checkbox", id="show-seams", checked="checked", class_="switch") if has_seams else None,
        el("label", "Seams", for_="show-seams") if has_seams else None,
        el("input", type="checkbox", id="show-spots", checked="checked", class_="switch") if has_spots else None,
        el("label", "Numbers of the worst spots", for_="show-spots") if has_spots else None,
        el(
            "div",
            image(context.preview, "The whole master, reduced"),
            _overlay(context),
            _markers(context),
            class_="stage",
        ),
        el("figcaption", "The master, reduced. The numbers lead to the spots further down."),
    )


def _map(context: Context) -> Html | None:
    if not context.seam_map:
        return None
    alt = "Seam map: the area of each scan tinted and named, seams coloured by how visible they are"
    return el(
        "figure",
        image(context.seam_map, alt),
        el("figcaption", "The seam map. It is in the job folder as a picture of its own."),
    )


def _overlay(context: Context) -> Html | None:
    canvas, lines = context.canvas, context.summary.seams
    if canvas is None or not lines:
        return None
    runs = [run for line in lines for run in class_runs(line)]
    runs.sort(key=lambda run: run[0].width_px)
    paths = [(kind, _path(points, canvas)) for kind, points in runs]
    return el(
        "svg",
        [el("path", d=path, stroke_width=kind.width_px + 2, class_="casing") for kind, path in paths],
        [el("path", d=path, stroke=kind.colour, stroke_width=kind.width_px) for kind, path in paths],
        viewBox=f"-0.5 -0.5 {canvas.width_px} {canvas.height_px}",
        preserveAspectRatio="none",
        class_="seams",
        role="img",
        aria_label="Seams drawn over the painting",
    )


def _path(points: NDArray[np.float64], canvas: Size) -> str:
    detail = max(canvas.width_px, canvas.height_px) / LINE_DETAIL
    simple = cv2.approxPolyDP(points.astype(np.float32).reshape(-1, 1, 2), detail, closed=False).reshape(-1, 2)
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in simple)


def _markers(context: Context) -> list[Html]:
    canvas = context.canvas
    if canvas is None:
        return []
    return [
        el("a", str(index), href=f"#spot-{index}", class_="marker", style=f"left:{left:.2f}%;top:{top:.2f}%")
        for index, (left, top) in enumerate((_percent(spot, canvas) for spot in context.spots), start=1)
    ]


def _percent(spot: Spot, canvas: Size) -> tuple[float, float]:
    x, y = spot.place_px
    return 100 * (x + 0.5) / canvas.width_px, 100 * (y + 0.5) / canvas.height_px


def _key() -> Html:
    items = [
        el(
            "li",
            el("span", class_="swatch", style=f"--c:{kind.colour};--w:{kind.width_px + 1:g}px"),
            el("span", el("b", f"ΔE{words.NBSP}{scale.range_words(kind)}"), el("br"), kind.meaning),
        )
        for kind in scale.STEP_CLASSES
    ]
    return el(
        "div",
        el("p", "Colour step across a seam (ΔE2000). Does it show?", class_="key-title"),
        el("ul", items, class_="key"),
        el("p", "These limits are this tool's own; nobody has published figures for seams.", class_="small"),
    )


def seams(context: Context) -> Html | None:
    """A row for every seam."""
    lines = context.summary.seams
    if not lines:
        return None
    everything = measures.seam_figures(lines)
    long = [index for index, line in enumerate(lines) if line.length_mm >= SHORT_MM] or list(range(len(lines)))
    worst_first = sorted(long, key=lambda index: -lines[index].worst_step_de00)
    rows = [_seam_row(context, index) for index in worst_first]
    total = join(
        "Together they are ",
        words.figure("seams.length_mm|m", everything.length_mm / 1000, words.METRE),
        " long. Step: mean ",
        words.figure("seams.mean_step_de00", everything.mean_step_de00, words.DE00),
        ", 95 % of the length under ",
        words.figure("seams.p95_step_de00", everything.p95_step_de00, words.DE00),
        ", worst ",
        words.figure("seams.worst_step_de00", everything.worst_step_de00, words.DE00),
        ".",
    )
    fraction = everything.misregistration_measured_fraction
    told = join(
        "Along ",
        words.figure("seams.misregistration_measured_fraction|percent", _percent_or_none(fraction), words.SHARE),
        " of their length there was enough detail to measure the shift to 0.1 px. The largest is ",
        words.figure("seams.worst_misregistration_px", everything.worst_misregistration_px, words.PX),
        f"; the check fails at {words.with_unit(measures.JUMP_SHIFT_PX, words.PX_COARSE)} (where turned scans "
        f"were straightened, at {words.with_unit(measures.JUMP_SHIFT_STRAIGHTENED_PX, words.PX_COARSE)}). Between "
        "scans that lay differently turned the shift is read from colour alone, because relief looks moved when it is "
        "lit from the other side.",
    )
    heads = [
        "Between",
        "Length",
        "Step, mean",
        "Step, 95\u00a0%",
        "Step, worst",
        "Shift, median",
        "Shift, 95\u00a0%",
        "Shift measured on",
        "Sharper by",
    ]
    lead = (
        "A step is a change of colour across the seam; a shift is how far two scans disagree about where a thing is. "
    )
    lead += "Sharper by: how much more fine detail one of the two scans shows there, where they show the same detail."
    return section(
        "seams",
        "Seam by seam",
        lead,
        el("p", total),
        el("p", told),
        el("p", _short(len(lines) - len(long))) if len(lines) > len(long) else None,
        words.table(heads, rows, numeric=(1, 2, 3, 4, 5, 6, 7, 8)),
        wide=True,
    )


def _short(count: int) -> str:
    """What small seams are, and where their figures stand."""
    seams_are = "One seam is" if count == 1 else f"{count} seams are"
    return (
        f"{seams_are} shorter than {SHORT_MM:g} mm: corners, and small islands where one scan shows dust and another "
        "does not. They count above; seams.json lists them one by one."
    )


def _seam_row(context: Context, index: int) -> list[str | list[Html] | None]:
    assert context.summary.seams is not None
    line = context.summary.seams[index]
    own, of = measures.seam_figures([line]), f"seams.{index}"
    measured = own.misregistration_measured_fraction
    return [
        join(context.named(line.scan_a), el("br"), context.named(line.scan_b)),
        words.figure(f"{of}.length_mm", line.length_mm, words.MM_COARSE),
        words.figure(f"{of}.mean_step_de00", own.mean_step_de00, words.DE00),
        words.figure(f"{of}.p95_step_de00", own.p95_step_de00, words.DE00),
        words.figure(f"{of}.worst_step_de00", own.worst_step_de00, words.DE00),
        words.figure(f"{of}.median_misregistration_px", own.median_misregistration_px, words.PX),
        words.figure(f"{of}.p95_misregistration_px", own.p95_misregistration_px, words.PX),
        words.figure(f"{of}.misregistration_measured_fraction|percent", _percent_or_none(measured), words.SHARE),
        words.figure(f"{of}.median_sharpness_change_percent", own.median_sharpness_change_percent, words.SHARE),
    ]


def _percent_or_none(fraction: float | None) -> float | None:
    return None if fraction is None else 100 * fraction


def spots(context: Context) -> Html | None:
    """The worst places, each shown with and without its seam."""
    if not context.spots:
        return None
    lead = (
        "The places along the seams where the scans agree least, worst first, at full size: one point of the master "
        "for each point of an ordinary screen. Try to find the seam in the picture where it is hidden: if it shows "
        "anywhere, it shows here first."
    )
    return section(
        "spots", "The worst spots", lead, [_spot(context, index) for index in range(len(context.spots))], wide=True
    )


def _spot(context: Context, index: int) -> Html:
    spot = context.spots[index]
    place = f"Spot {index + 1}, between {spot.scan_a} and {spot.scan_b}"
    return el(
        "article",
        el("div", _spot_words(context, index), class_="spot-words"),
        el("figure", image(spot.shown_png, f"{place}, seam drawn", class_="crop"), el("figcaption", "Seam shown")),
        el(
            "figure",
            image(spot.hidden_png, f"{place}, as in the master", class_="crop"),
            el("figcaption", "Seam hidden"),
        ),
        id=f"spot-{index + 1}",
        class_="spot",
    )


def _spot_words(context: Context, index: int) -> Html:
    spot, of = context.spots[index], f"spots.{index}"
    step = spot.step_de00
    meaning = scale.step_class(step).meaning if step is not None else "unknown"
    return join(
        el("h3", str(index + 1), class_="marker"),
        _locator(context, spot),
        el(
            "dl",
            el("dt", "Between"),
            el("dd", context.named(spot.scan_a), el("br"), context.named(spot.scan_b)),
            el("dt", "Colour step"),
            el("dd", words.figure(f"{of}.step_de00", step, words.DE00), " · does it show: ", meaning),
            el("dt", "Shift"),
            el(
                "dd",
                words.figure(f"{of}.misregistration_px", spot.misregistration_px, words.PX),
                join(" · ", words.figure(f"{of}.misregistration_mm", spot.misregistration_mm, words.MM_FINE))
                if spot.misregistration_mm is not None
                else " (too little detail here to tell)",
            ),
            el("dt", "Place"),
            el("dd", words.length(f"{of}.place_mm.0", spot.place_mm[0]), " from the left"),
            el("dd", words.length(f"{of}.place_mm.1", spot.place_mm[1]), " from the top"),
        ),
    )


def _locator(context: Context, spot: Spot) -> Html | None:
    canvas = context.canvas
    if canvas is None:
        return None
    scaled = 64 / max(canvas.width_px, canvas.height_px)
    width, height = canvas.width_px * scaled, canvas.height_px * scaled
    left, top = _percent(spot, canvas)
    return el(
        "svg",
        el("rect", x=1, y=1, width=round(width, 1), height=round(height, 1)),
        el("circle", cx=round(1 + width * left / 100, 1), cy=round(1 + height * top / 100, 1), r=4),
        viewBox=f"0 0 {width + 2:.1f} {height + 2:.1f}",
        width=round(width + 2),
        height=round(height + 2),
        class_="locator",
        role="img",
        aria_label="Where on the painting",
    )
