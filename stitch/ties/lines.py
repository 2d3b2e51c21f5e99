"""One line of the book of ties: cells to a record and back."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from stitch.errors import UsageError
from stitch.model.ties import Apart, Distance, Tie
from stitch.sheet.cells import BadLine, number_in, scan_named, shown

Record = Tie | Apart | Distance

COLUMNS = ("scan_a", "x_a", "y_a", "scan_b", "x_b", "y_b", "weight", "note", "kind", "length_mm")
KINDS = ("tie", "apart", "distance")


def record_of(cells: Mapping[str, str], scan_ids: Collection[str], line: int, *, comma: bool) -> Record:
    """The record a line's cells, by column, hold. `comma` : whether 1200,5 is twelve hundred and a half.

    Raises BadLine.
    """

    def number(name: str) -> float:
        return number_in(cells, name, comma=comma)

    scans = [scan_named(cells.get(name, ""), scan_ids) for name in ("scan_a", "scan_b")]
    kind = cells.get("kind", "").casefold() or "tie"
    note = cells.get("note", "")
    if kind not in KINDS:
        raise BadLine(f"the kind is {kind!r}; it can be {', '.join(KINDS)}, or empty for a tie")
    if kind != "distance" and scans[0] == scans[1]:
        raise BadLine(f"it names {scans[0]} twice; it takes two scans")
    if kind == "apart":
        return Apart(scans[0], scans[1], note, line)
    a, b = (number("x_a"), number("y_a")), (number("x_b"), number("y_b"))
    if kind == "distance":
        return Distance(scans[0], a, scans[1], b, _above_zero(number("length_mm"), "the length in mm"), note, line)
    weight = _above_zero(number("weight"), "the weight") if cells.get("weight") else 1.0
    return Tie(scans[0], a, scans[1], b, weight, note, line)


def cells_of(record: Record) -> dict[str, str]:
    """The cells of a record, by column; those that say nothing are empty."""
    cells = dict.fromkeys(COLUMNS, "")
    cells |= {"scan_a": record.scan_a, "scan_b": record.scan_b, "note": record.note}
    if isinstance(record, Apart):
        return cells | {"kind": "apart"}
    places = (*record.a_px, *record.b_px)
    cells |= {name: shown(v) for name, v in zip(("x_a", "y_a", "x_b", "y_b"), places, strict=True)}
    if isinstance(record, Distance):
        return cells | {"kind": "distance", "length_mm": shown(record.length_mm)}
    return cells | {"weight": shown(record.weight)}


def require_inside(record: Record, sizes: Mapping[str, tuple[int, int]]) -> None:
    """Check that places lie in their scans, of (width, height) px. Raises UsageError that names the line."""
    if isinstance(record, Apart):
        return
    for name, (x, y) in ((record.scan_a, record.a_px), (record.scan_b, record.b_px)):
        width, height = sizes[name]
        if not (-0.5 <= x <= width - 0.5 and -0.5 <= y <= height - 0.5):
            where = f"line {record.line}: " if record.line else ""
            raise UsageError(
                f"ties.csv, {where}{x:g},{y:g} lies outside {name}, which is {width} × {height} px.",
                advice="Coordinates are px of the scan as it is shown, counted from its top-left corner.",
            )


def _above_zero(value: float, what: str) -> float:
    if value <= 0:
        raise BadLine(f"{what} is {value:g}; it must be more than nothing")
    return value
