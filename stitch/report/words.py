"""Figures and names as they stand on the page.

Every figure is a `<data>` element that carries its exact value and where in the record it comes from, so that what a
reader sees can be held against the record by a machine.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime

from stitch.imaging.affine import MM_PER_INCH
from stitch.report.html import Child, Html, el, join

NBSP = "\N{NO-BREAK SPACE}"
MINUS = "\N{MINUS SIGN}"


@dataclass(frozen=True, slots=True)
class Unit:
    """How a quantity is written: its sign and how many decimals."""

    sign: str
    decimals: Callable[[float], int]


def _fixed(count: int) -> Callable[[float], int]:
    return lambda value: count


PX = Unit("px", lambda value: 3 if abs(value) < 0.1 else 2)
PX_COARSE = Unit("px", _fixed(1))
MM = Unit("mm", _fixed(2))
MM_TAPE = Unit("mm", lambda value: 0 if value == round(value) else 2)
MM_FINE = Unit("mm", _fixed(4))
MM_COARSE = Unit("mm", _fixed(0))
MM_TENTH = Unit("mm", _fixed(1))
INCH = Unit("in", _fixed(3))
DE00 = Unit("ΔE", _fixed(2))
LIGHTNESS = Unit("L*", _fixed(2))
DPI = Unit("dpi", lambda value: 0 if abs(value - round(value)) < 0.005 else 2)
PERCENT = Unit("%", _fixed(3))
PERCENT_FINE = Unit("%", _fixed(4))
SHARE = Unit("%", _fixed(1))
DEG = Unit("°", _fixed(3))
DEG_FINE = Unit("°", _fixed(4))
COUNT = Unit("", _fixed(0))
FACTOR = Unit("×", _fixed(4))
GAMMA = Unit("", _fixed(4))
FACTOR_FINE = Unit("×", _fixed(5))
SECONDS = Unit("s", _fixed(1))
METRE = Unit("m", _fixed(2))
LINEAR = Unit("", _fixed(5))

SURE = 0.999  # a probability above this is not written out: no test has shown more


def number(value: float, decimals: int, *, signed: bool = False) -> str:
    """A number with a true minus sign and thin groups of thousands; never "−0"."""
    shown = f"{value:+,.{decimals}f}" if signed else f"{value:,.{decimals}f}"
    if float(shown.replace(",", "")) == 0.0:
        shown = f"{0.0:.{decimals}f}"
    return shown.replace(",", "\N{NARROW NO-BREAK SPACE}").replace("-", MINUS)


def with_unit(value: float, unit: Unit, *, signed: bool = False) -> str:
    """A number and its unit with a space that does not break."""
    shown = number(value, unit.decimals(value), signed=signed)
    if unit.sign in ("", "°"):
        return shown + unit.sign
    return f"{unit.sign}{shown}" if unit.sign == FACTOR.sign else f"{shown}{NBSP}{unit.sign}"


def figure(of: str, value: float | None, unit: Unit, *, signed: bool = False) -> Html:
    """A figure of the record.

    Parameters
    ----------
    of : where it comes from: a path into the plain record, then "|" and what was done to it, if anything.
    value : in the unit shown; None or not finite is said to be unknown.
    """
    if value is None or not math.isfinite(value):
        return el("span", "unknown", class_="unknown", data_of=of)
    return el("data", with_unit(value, unit, signed=signed), value=repr(float(value)), data_of=of)


def chance(of: str, probability: float | None) -> Html:
    """A probability in percent; one so near to certain that it cannot be told from it is said to be over 99.9 %."""
    if probability is None or not math.isfinite(probability):
        return figure(of, None, SHARE)
    if probability <= SURE:
        return figure(f"{of}|percent", 100 * probability, SHARE)
    return el("data", f"over 99.9{NBSP}%", value=repr(float(100 * probability)), data_of=f"{of}|percent")


def length(of: str, length_mm: float | None, *, unit: Unit = MM, signed: bool = False) -> Html:
    """A length in mm, and in inches after it."""
    metric = figure(of, length_mm, unit, signed=signed)
    if length_mm is None or not math.isfinite(length_mm):
        return metric
    return join(metric, Html(" "), el("span", "(", imperial(of, length_mm, signed=signed), ")", class_="aside"))


def inches(length_mm: float) -> float:
    """Length in inches of `length_mm`."""
    return length_mm / MM_PER_INCH


def imperial(of: str, length_mm: float, *, signed: bool = False) -> Html:
    """A length in inches."""
    return figure(f"{of}|in", inches(length_mm), INCH, signed=signed)


def day(iso: str) -> str:
    """An ISO date and time as a person writes it; as it is when it cannot be read."""
    try:
        moment = datetime.fromisoformat(iso)
    except ValueError:
        return iso
    return f"{moment.day} {moment:%B %Y}, {moment:%H:%M}"


def table(
    heads: Sequence[Child], rows: Sequence[Sequence[Child]], *, class_: str = "", numeric: tuple[int, ...] = ()
) -> Html:
    """A table that turns into cards on a narrow screen: each cell carries the name of its column."""
    head = el("tr", [el("th", cell, scope="col", class_=_side(index, numeric)) for index, cell in enumerate(heads)])
    body = [el("tr", [_cell(cell, heads[index], index, numeric) for index, cell in enumerate(row)]) for row in rows]
    return el("div", el("table", el("thead", head), el("tbody", body), class_=class_ or None), class_="scroll")


def _cell(cell: Child, head: Child, index: int, numeric: tuple[int, ...]) -> Html:
    label = head if isinstance(head, str) else None
    return el("td", el("div", cell), data_label=label, class_=_side(index, numeric))


def _side(index: int, numeric: tuple[int, ...]) -> str | None:
    return "num" if index in numeric else None
