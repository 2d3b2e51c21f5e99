"""How the scans hang together: a drawing of them as they lie, and a table of the links."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import apply, corners
from stitch.model.layout import Layout, Link
from stitch.model.report import RunSummary
from stitch.report import measures, words
from stitch.report.html import Html, el, join
from stitch.report.json_report import unplaced
from stitch.report.sections.context import Context, section
from stitch.report.verdict import words_list

LONG_SIDE = 420.0  # units of the drawing
PILL = (66.0, 20.0)


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
        "a strip that were kept apart and not used to place the scans."
    )
    if layout is None:
        return section(
            "links", "How the scans fit", lead, el("p", "The run stopped before the scans had their places.")
        )
    missing = unplaced(context.summary)
    return section(
        "links",
        "How the scans fit",
        lead,
        el("p", f"No place was found for {words_list(missing)}.", class_="alarm") if missing else None,
        el("div", _drawing(context, layout), _table(context, layout), class_="beside"),
        wide=True,
    )


def _drawing(context: Context, layout: Layout) -> Html | None:
    if not layout.placements:
        return None
    pieces, width, height = _pieces(context.summary, layout)
    return el(
        "figure",
        el(
            "svg",
            [_outline(piece) for piece in pieces],
            [_line(link, pieces) for link in layout.links],
            [_name(context, piece) for piece in pieces],
            _pills(layout, pieces),
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


def _name(context: Context, piece: _Piece) -> Html:
    """The number in the outer part of the piece, where no link runs."""
    x, y = piece.centre
    room = int(float(np.ptp(piece.outline[:, 0])) / 8)
    shown = piece.scan_id if len(piece.scan_id) <= room else piece.scan_id[: max(1, room - 1)] + "…"
    return join(
        el("circle", cx=f"{x:.1f}", cy=f"{y:.1f}", r=13, class_="disc"),
        el("text", context.number(piece.scan_id), x=f"{x:.1f}", y=f"{y + 5:.1f}", class_="disc-number"),
        el("text", shown, x=f"{x:.1f}", y=f"{y + 30:.1f}", class_="piece-name"),
    )


def _line(link: Link, pieces: list[_Piece]) -> Html | None:
    ends = [piece.centre for name in (link.scan_a, link.scan_b) for piece in pieces if piece.scan_id == name]
    if len(ends) != 2:
        return None
    (x1, y1), (x2, y2) = ends
    at = {"x1": f"{x1:.1f}", "y1": f"{y1:.1f}", "x2": f"{x2:.1f}", "y2": f"{y2:.1f}"}
    return el("line", class_="link weak" if link.is_weak else "link", **at)


def _pills(layout: Layout, pieces: list[_Piece]) -> list[Html]:
    """Figures on the links, worst first; one that would cover another or a name is left to the table."""
    taken = [(piece.centre + np.array([0.0, 8.0]), np.array([60.0, 46.0])) for piece in pieces]
    shown = []
    for index in sorted(range(len(layout.links)), key=lambda i: -layout.links[i].p95_px):
        link = layout.links[index]
        ends = [piece.centre for name in (link.scan_a, link.scan_b) for piece in pieces if piece.scan_id == name]
        if len(ends) != 2:
            continue
        for share in (0.5, 0.4, 0.6, 0.32, 0.68):
            place = ends[0] * (1 - share) + ends[1] * share
            if all((np.abs(place - other) >= (np.array(PILL) + size) / 2).any() for other, size in taken):
                taken.append((place, np.array(PILL)))
                shown.append(_pill(index, link, place))
                break
    return shown


def _pill(index: int, link: Link, place: NDArray[np.float64]) -> Html:
    x, y = place
    kind = "pill weak" if link.is_weak else "pill"
    return el(
        "g",
        el("rect", x=f"{x - PILL[0] / 2:.1f}", y=f"{y - PILL[1] / 2:.1f}", width=PILL[0], height=PILL[1], rx=3),
        el(
            "text",
            words.with_unit(link.p95_px, words.PX),
            x=f"{x:.1f}",
            y=f"{y + 4.6:.1f}",
            data_of=f"layout.links.{index}.p95_px",
            data_value=repr(float(link.p95_px)),
        ),
        class_=kind,
    )


def _table(context: Context, layout: Layout) -> Html:
    heads = ["Between", "Median", "95 of 100", "Largest", "Test patches", "Overlap", "Verdict"]
    rows = [_row(context, index) for index in range(len(layout.links))]
    return words.table(heads, rows, numeric=(1, 2, 3, 4, 5))


def _row(context: Context, index: int) -> list[Html | str]:
    assert context.summary.layout is not None
    link, of = context.summary.layout.links[index], f"layout.links.{index}"
    turned = f" Turned by {link.turn_deg}° against each other." if link.turn_deg else ""
    return [
        join(context.named(link.scan_a), el("br"), context.named(link.scan_b)),
        *[_error(context, link, of, name) for name in ("median", "p95", "max")],
        words.figure(f"{of}.heldout_count", link.heldout_count, words.COUNT),
        words.figure(f"{of}.overlap_fraction|percent", 100 * link.overlap_fraction, words.SHARE),
        el("span", f"Weak: {link.reason}{turned}", class_="alarm") if link.is_weak else f"Holds.{turned}",
    ]


def _error(context: Context, link: Link, of: str, name: str) -> Html:
    value = getattr(link, f"{name}_px")
    length_mm = measures.length_or_none_mm(value, measures.link_ppi(context.summary, link))
    return join(
        words.figure(f"{of}.{name}_px", value, words.PX),
        el("br"),
        el("span", words.figure(f"{of}.{name}_px|mm", length_mm, words.MM_FINE), class_="aside"),
    )
