"""How the scans hang together: a drawing of them as they lie, and a table of the links."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import apply, corners
from stitch.model.layout import Layout, Link, Pinned
from stitch.model.report import RunSummary
from stitch.report import measures, words
from stitch.report.html import Html, el, join
from stitch.report.json_report import unplaced
from stitch.report.sections.context import Context, section
from stitch.report.verdict import words_list

LONG_SIDE = 420.0  # units of the drawing
DENSE_UNITS = 115.0  # linked scans nearer than this are drawn without names


@dataclass(frozen=True, slots=True)
class _Style:
    """How large things are drawn, in units of the drawing."""

    name: str
    pill: tuple[float, float]
    text: float
    disc: float
    has_names: bool


ROOMY = _Style("roomy", (66.0, 20.0), 12.0, 13.0, has_names=True)
DENSE = _Style("dense", (32.0, 15.0), 10.5, 10.0, has_names=False)


@dataclass(frozen=True, slots=True)
class _Piece:
    """A scan as it lies, in units of the drawing."""

    scan_id: str
    outline: NDArray[np.float64]  # (4, 2)

    @property
    def centre(self) -> NDArray[np.float64]:
        return self.outline.mean(axis=0)


def links(context: Context) -> Html:
    """The section on links; says so when the run stopped before there were any."""
    layout = context.summary.layout
    lead = (
        "Neighbouring scans show the same strip of the painting. Each error here was measured on small patches of such "
        "a strip that were kept apart and not used to place the scans. Beside it stands what was expected of the whole "
        "strip, and how sure it is that the two scans belong together there at all."
    )
    if layout is None:
        return _without_places(context, lead)
    missing = unplaced(context.summary)
    return section(
        "links",
        "How the scans fit",
        lead,
        el("p", f"No place was found for {words_list(missing)}.", class_="alarm") if missing else None,
        el("div", _drawing(context, layout), _table(context), class_="stacked"),
        wide=True,
    )


def _without_places(context: Context, lead: str) -> Html:
    """Which scans hang together, when they could not all be placed."""
    found = context.summary.links_found
    if not found:
        return section("links", "How the scans fit", lead, el("p", "The run stopped before any link was found."))
    groups = measures.groups_of([scan.scan_id for scan in context.summary.scans], found)
    return section(
        "links",
        "How the scans fit",
        lead,
        el(
            "p",
            "All scans hang together by links that hold; the reason for the stop stands above."
            if len(groups) == 1
            else "The scans in one row below hang together. What is missing is a link between the rows.",
        ),
        el("ul", [_group(context, group) for group in groups], class_="groups"),
        _table(context),
        wide=True,
    )


def _group(context: Context, group: tuple[str, ...]) -> Html:
    alone = el("span", "alone", class_="alarm") if len(group) == 1 else None
    return el("li", [join(context.named(name), Html(" ")) for name in group], alone)


def _drawing(context: Context, layout: Layout) -> Html | None:
    if not layout.placements:
        return None
    pieces, width, height = _pieces(context.summary, layout)
    style = _style(layout, pieces)
    return el(
        "figure",
        el(
            "svg",
            [_outline(piece) for piece in pieces],
            [_line(link, pieces) for link in layout.links],
            [_name(context, piece, style) for piece in pieces],
            _pills(layout, pieces, style),
            viewBox=f"-4 -4 {width + 8:.1f} {height + 8:.1f}",
            class_="drawing",
            role="img",
            aria_label="The scans as they lie, with their links",
        ),
        el(
            "figcaption",
            "The scans as they lie on the painting. Each figure is the error, in px, that 95 of 100 test patches stay "
            "within; a broken line is a weak link.",
        ),
        class_="links-drawing",
    )


def _pieces(summary: RunSummary, layout: Layout) -> tuple[list[_Piece], float, float]:
    sizes = {scan.scan_id: scan.size for scan in summary.scans}
    outlines = [
        (
            placement.scan_id,
            apply(placement.matrix, corners(sizes[placement.scan_id].width_px, sizes[placement.scan_id].height_px)),
        )
        for placement in layout.placements
        if placement.scan_id in sizes
    ]
    everything = np.concatenate([outline for _, outline in outlines]) if outlines else np.zeros((1, 2))
    low, span = everything.min(axis=0), np.ptp(everything, axis=0)
    scale = LONG_SIDE / max(float(span.max()), 1.0)
    pieces = [_Piece(name, (outline - low) * scale) for name, outline in outlines]
    return pieces, float(span[0]) * scale, float(span[1]) * scale


def _outline(piece: _Piece) -> Html:
    return el("polygon", points=" ".join(f"{x:.1f},{y:.1f}" for x, y in piece.outline), class_="piece")


def _style(layout: Layout, pieces: list[_Piece]) -> _Style:
    ways = [float(np.hypot(*(ends[1] - ends[0]))) for link in layout.links for ends in _ends(link, pieces)]
    return DENSE if ways and min(ways) < DENSE_UNITS else ROOMY


def _name(context: Context, piece: _Piece, style: _Style) -> Html:
    """The number in the middle of the piece, its name under it where there is room."""
    x, y = piece.centre
    room = int(float(np.ptp(piece.outline[:, 0])) / 8)
    shown = piece.scan_id if len(piece.scan_id) <= room else piece.scan_id[: max(1, room - 1)] + "…"
    return join(
        el("circle", cx=f"{x:.1f}", cy=f"{y:.1f}", r=style.disc, class_="disc"),
        el("text", context.number(piece.scan_id), x=f"{x:.1f}", y=f"{y + 4.6:.1f}", class_="disc-number"),
        el("text", shown, x=f"{x:.1f}", y=f"{y + 30:.1f}", class_="piece-name") if style.has_names else None,
    )


def _ends(link: Link, pieces: list[_Piece]) -> list[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """The middles of both scans of a link, in a list of one; none when a scan is not placed."""
    centres = {piece.scan_id: piece.centre for piece in pieces}
    if link.scan_a not in centres or link.scan_b not in centres:
        return []
    return [(centres[link.scan_a], centres[link.scan_b])]


def _line(link: Link, pieces: list[_Piece]) -> list[Html]:
    return [
        el(
            "line",
            x1=f"{start[0]:.1f}",
            y1=f"{start[1]:.1f}",
            x2=f"{end[0]:.1f}",
            y2=f"{end[1]:.1f}",
            class_="link weak" if link.is_weak else "link",
        )
        for start, end in _ends(link, pieces)
    ]


def _pills(layout: Layout, pieces: list[_Piece], style: _Style) -> list[Html]:
    """Figures on the links, worst first; one that would cover another is left to the table, unless its link is weak."""
    pill = np.array(style.pill)
    block = np.array([60.0, 46.0]) if style.has_names else np.array([2.0, 2.0]) * style.disc
    middle = np.array([0.0, 8.0]) if style.has_names else np.zeros(2)
    taken = [(piece.centre + middle, block) for piece in pieces]
    shown = []
    for index in sorted(range(len(layout.links)), key=lambda i: -layout.links[i].p95_px):
        if not layout.links[index].heldout_count:
            continue
        link = layout.links[index]
        for start, end in _ends(link, pieces):
            places = [start + (end - start) * share for share in (0.5, 0.4, 0.6, 0.32, 0.68)]
            free = [at for at in places if all((np.abs(at - o) >= (pill + size) / 2).any() for o, size in taken)]
            if free or link.is_weak:
                place = (free or places)[0]
                taken.append((place, pill))
                shown.append(_pill(index, link, place, style))
    return shown


def _pill(index: int, link: Link, place: NDArray[np.float64], style: _Style) -> Html:
    (x, y), (width, height) = place, style.pill
    shown = words.with_unit(link.p95_px, words.PX)
    return el(
        "g",
        el("rect", x=f"{x - width / 2:.1f}", y=f"{y - height / 2:.1f}", width=width, height=height, rx=3),
        el(
            "text",
            shown if style.has_names else shown.removesuffix(f"{words.NBSP}px"),
            x=f"{x:.1f}",
            y=f"{y + 0.37 * style.text:.1f}",
            data_of=f"layout.links.{index}.p95_px",
            data_value=repr(float(link.p95_px)),
        ),
        class_=f"pill {style.name} weak" if link.is_weak else f"pill {style.name}",
    )


def _table(context: Context) -> Html:
    where, found = measures.links_of(context.summary)
    heads = [
        "Between",
        "Median",
        "95\u00a0of\u00a0100",
        "Largest",
        "Expected",
        "Test patches",
        "Overlap",
        "Right link?",
        "Verdict",
    ]
    worst_first = sorted(range(len(found)), key=lambda index: -found[index].p95_px)
    rows = [_row(context, found[index], f"{where}.{index}") for index in worst_first]
    return words.table(heads, rows, class_="links", numeric=(1, 2, 3, 4, 5, 6, 7))


def _row(context: Context, link: Link, of: str) -> list[Html | str]:
    places = "one place" if link.tie_count == 1 else f"{link.tie_count} places"
    more = f" Tied by hand at {places}." if link.tie_count else ""
    more += f" Turned by {link.turn_deg}° against each other." if link.turn_deg else ""
    return [
        join(context.named(link.scan_a), el("br"), context.named(link.scan_b)),
        *[_error(context, link, of, name) for name in ("median", "p95", "max")],
        _expected(link, of),
        words.figure(f"{of}.heldout_count", link.heldout_count, words.COUNT),
        words.figure(f"{of}.overlap_fraction|percent", 100 * link.overlap_fraction, words.SHARE),
        words.chance(f"{of}.probability", link.probability),
        _holds(link, more),
    ]


def _expected(link: Link, of: str) -> Html:
    """What was reckoned beforehand of the whole overlap: the usual distance, and the bound of nearly all of it."""
    return join(
        words.figure(f"{of}.expected_px", link.expected_px, words.PX),
        el("br"),
        el("span", "95\u00a0% below ", words.figure(f"{of}.bound_px", link.bound_px, words.PX), class_="aside"),
    )


def _holds(link: Link, more: str) -> Html | str:
    if link.pinned is Pinned.ONE_DIRECTION:
        more = f" It holds in one direction only, as a straight edge does; the other links hold the rest.{more}"
    if link.is_weak:
        return el("span", f"Weak: {link.reason}.{more}", class_="alarm")
    return f"Holds.{more}" if link.heldout_count else f"Its error is unknown ({link.reason or 'not measured'}).{more}"


def _error(context: Context, link: Link, of: str, name: str) -> Html:
    value = measures.error_or_none_px(link, name)
    if value is None:
        return words.figure(f"{of}.{name}_px", None, words.PX)
    length_mm = measures.length_or_none_mm(value, measures.link_ppi(context.summary, link))
    return join(
        words.figure(f"{of}.{name}_px", value, words.PX),
        el("br"),
        el("span", words.figure(f"{of}.{name}_px|mm", length_mm, words.MM_FINE), class_="aside"),
    )
