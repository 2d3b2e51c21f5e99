"""The size against the tape measure: a drawing with the lengths on it, and a table."""

from __future__ import annotations

from stitch.model.settings import Measured
from stitch.model.size import Edge, SizeCheck, SizeReading
from stitch.report import words
from stitch.report.html import Html, el, join
from stitch.report.sections.context import Context, section
from stitch.report.sections.top import plain_name

BOX = 250.0  # long side of the painting in the drawing
MARGIN = 66.0


def size(context: Context) -> Html:
    """The section on size."""
    settings = context.summary.settings
    what = "sheet" if settings.measured is Measured.SHEET else "painted area"
    lead = f"The edges of the {what} were looked for in the master, and its sides and diagonals measured between them."
    check = context.summary.size_check
    if check is None:
        return section("size", "The size", lead, el("p", "The size was not measured: the run stopped before."))
    return section(
        "size",
        "The size",
        lead,
        el("p", "Width and height were given the other way round; they were compared swapped.", class_="alarm")
        if check.is_swapped
        else None,
        el(
            "div",
            el("figure", _drawing(check), el("figcaption", _caption(check)), class_="size-drawing"),
            _table(check),
            class_="beside",
        ),
        _facts(context, check),
        _published(check),
        wide=True,
    )


def _caption(check: SizeCheck) -> str:
    missing = [edge.side for edge in check.edges if not edge.is_in_view]
    if missing:
        return f"In brackets the difference from the tape measure. Not in view: {', '.join(missing)} (broken line)."
    return "In brackets the difference from the tape measure."


def _drawing(check: SizeCheck) -> Html:
    readings = {reading.name: (index, reading) for index, reading in enumerate(check.readings)}
    wide = _mean([r.measured_mm for r in check.readings if r.name.startswith("width")])
    high = _mean([r.measured_mm for r in check.readings if r.name.startswith("height")])
    ratio = wide / high if wide and high else 1.0
    width, height = (BOX, BOX / ratio) if ratio >= 1 else (BOX * ratio, BOX)
    width, height = max(width, 170.0), max(height, 130.0)
    left, top = MARGIN, MARGIN * 0.75
    right, bottom = left + width, top + height
    at = {
        "width top": ((left, top - 14), (right, top - 14), 0),
        "width bottom": ((left, bottom + 14), (right, bottom + 14), 0),
        "height left": ((left - 14, top), (left - 14, bottom), -90),
        "height right": ((right + 14, top), (right + 14, bottom), 90),
    }
    return el(
        "svg",
        el("rect", x=left, y=top, width=round(width, 1), height=round(height, 1), class_="sheet"),
        [_edge(check, side, left, top, right, bottom) for side in ("left", "right", "top", "bottom")],
        _diagonals(readings, left, top, right, bottom),
        [_dimension(readings[name], place) for name, place in at.items() if name in readings],
        viewBox=f"0 0 {right + MARGIN:.1f} {bottom + MARGIN * 0.75:.1f}",
        class_="drawing",
        role="img",
        aria_label="The painting with its measured lengths",
    )


def _edge(check: SizeCheck, side: str, left: float, top: float, right: float, bottom: float) -> Html:
    ends = {"left": (left, top, left, bottom), "right": (right, top, right, bottom)}
    ends |= {"top": (left, top, right, top), "bottom": (left, bottom, right, bottom)}
    x1, y1, x2, y2 = ends[side]
    is_seen = any(edge.side == side and edge.is_in_view for edge in check.edges)
    return el("line", x1=x1, y1=y1, x2=x2, y2=y2, class_="edge" if is_seen else "edge unseen")


Reading = tuple[int, SizeReading]
Point = tuple[float, float]


def _dimension(numbered: Reading, place: tuple[Point, Point, int]) -> Html:
    """A line with end strokes; its words lie along it, outside."""
    index, reading = numbered
    start, end, turn_deg = place
    (x1, y1), (x2, y2) = start, end
    tick = (0, 5) if turn_deg == 0 else (5, 0)
    strokes = "".join(f"M{x - tick[0]} {y - tick[1]}L{x + tick[0]} {y + tick[1]}" for x, y in (start, end))
    out = -1 if turn_deg or reading.name.endswith("top") else 1
    x, y = (x1 + x2) / 2, (y1 + y2) / 2
    lines = (-22, -8) if out < 0 else (16, 30)
    return el(
        "g",
        el("path", d=f"M{x1} {y1}L{x2} {y2}{strokes}"),
        el(
            "g",
            _words(index, reading, lines),
            transform=f"translate({x:.1f} {y:.1f}) rotate({turn_deg})",
        ),
        class_=_kind(reading),
    )


def _words(index: int, reading: SizeReading, lines: tuple[float, float]) -> list[Html | None]:
    of = f"size_check.readings.{index}"
    lengths = el(
        "text",
        _svg_figure(f"{of}.measured_mm", reading.measured_mm, words.MM, class_="length"),
        " · ",
        _svg_figure(f"{of}.measured_mm|in", words.inches(reading.measured_mm), words.INCH),
        y=lines[0],
    )
    if reading.expected_mm is None:
        return [lengths]
    off = reading.measured_mm - reading.expected_mm
    shown = _svg_figure(f"{of}|difference_mm", off, words.MM, signed=True)
    return [lengths, el("text", "(", shown, ")", y=lines[1])]


def _svg_figure(of: str, value: float, unit: words.Unit, *, signed: bool = False, class_: str | None = None) -> Html:
    """A figure inside a drawing, with the same marks as `words.figure` gives."""
    return el(
        "tspan", words.with_unit(value, unit, signed=signed), data_of=of, data_value=repr(float(value)), class_=class_
    )


def _diagonals(readings: dict[str, Reading], left: float, top: float, right: float, bottom: float) -> list[Html]:
    """The two diagonals, each with its length on its lower end where they do not cross."""
    drawn = []
    for name, x1, x2 in (("diagonal \\", left, right), ("diagonal /", right, left)):
        if name not in readings:
            continue
        index, reading = readings[name]
        share = 0.74
        x, y = x1 + (x2 - x1) * share, top + (bottom - top) * share
        drawn.append(
            el(
                "g",
                el("line", x1=x1, y1=top, x2=x2, y2=bottom),
                el(
                    "text",
                    _svg_figure(f"size_check.readings.{index}.measured_mm", reading.measured_mm, words.MM),
                    x=f"{x:.1f}",
                    y=f"{y + 14:.1f}",
                ),
                class_=f"diagonal {_kind(reading)}",
            )
        )
    return drawn


def _kind(reading: SizeReading) -> str:
    return {True: "dimension ok", False: "dimension off", None: "dimension"}[reading.is_ok]


def _mean(values: list[float]) -> float:
    return sum(values) / len(values) if values else 0.0


def _table(check: SizeCheck) -> Html:
    heads = ["Side", "Measured in the master", "Uncertainty", "Tape measure", "Difference", "Allowed", "Verdict"]
    rows = [_row(index, reading) for index, reading in enumerate(check.readings)]
    return words.table(heads, rows, numeric=(1, 2, 3, 4, 5))


def _row(index: int, reading: SizeReading) -> list[Html | str]:
    of = f"size_check.readings.{index}"
    expected = reading.expected_mm
    return [
        plain_name(reading.name).capitalize(),
        words.length(f"{of}.measured_mm", reading.measured_mm),
        join("±", words.NBSP, words.figure(f"{of}.uncertainty_mm", reading.uncertainty_mm, words.MM)),
        "not given" if expected is None else words.length(f"{of}.expected_mm", expected, unit=words.MM_TAPE),
        "–" if expected is None else words.length(f"{of}|difference_mm", reading.measured_mm - expected, signed=True),
        "–"
        if reading.tolerance_mm is None
        else join("±", words.NBSP, words.figure(f"{of}.tolerance_mm", reading.tolerance_mm, words.MM)),
        {True: "Agrees.", False: el("span", "Does not agree.", class_="alarm"), None: "Nothing to compare with."}[
            reading.is_ok
        ],
    ]


def _facts(context: Context, check: SizeCheck) -> Html:
    found = [f"{edge.side}: {_found_by(edge)}" for edge in check.edges]
    return el(
        "dl",
        el("dt", "Scale"),
        el(
            "dd",
            words.figure("size_check.scale_error_percent", check.scale_error_percent, words.PERCENT, signed=True),
            " against the tape measure, at ",
            words.figure("size_check.ppi", check.ppi, words.DPI),
        ),
        el("dt", "Squareness"),
        el(
            "dd",
            "the worst corner is off a right angle by ",
            words.figure("size_check.squareness_deg", check.squareness_deg, words.DEG),
        ),
        el("dt", "Edges found by"),
        [el("dd", line) for line in found] or el("dd", "unknown"),
        class_="facts",
    )


def _found_by(edge: Edge) -> str:
    if edge.is_in_view or edge.evidence.startswith("not in view"):
        return edge.evidence
    return f"not in view, {edge.evidence}"


def _published(check: SizeCheck) -> Html | None:
    if not check.published_figures:
        return None
    return el(
        "div",
        el("h3", "Published figures, for comparison"),
        el("ul", [el("li", sentence) for sentence in check.published_figures]),
        el(
            "p",
            "These are no promise of conformance: that takes the publishers' own targets and the whole workflow.",
            class_="small",
        ),
        class_="aside-box",
    )
