"""`seams.csv`: the plain record of what was said of the seams, that a person or a spreadsheet may edit."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path

from stitch.model.wishes import Want, Wish
from stitch.sheet.cells import BadLine, scan_named
from stitch.sheet.table import Cells, Form, changed, new_sheet, read_sheet, write_sheet
from stitch.wishes.region import parse_region, region_text, unit_text

BOOK_NAME = "seams.csv"
COLUMNS = ("wish", "scan", "region", "unit", "note")
HEADER_COMMENT = (
    "# One line says which scan is to make a region of the master (prefer), or is to be kept out of it (avoid).",
    "# A region is two opposite corners, or three and more corners of a polygon: x,y x,y with a point for decimals.",
    "# unit: empty or mm counts from the master's top-left corner; px is px of the scan that the line names, and",
    "# px of NAME those of another scan, as its file is shown. x goes to the right, y down; px 0,0 is the centre of",
    "# the top-left pixel. Where two lines disagree the later one counts. Columns of your own are kept.",
)
NUMBERS = re.compile(r"[-+.\d\s]+")


def read_wishes(path: Path, scan_ids: Collection[str]) -> tuple[Wish, ...]:
    """What the file says, in its order; nothing when there is none.

    Raises UsageError that names the line and the reason, when one is no wish for these scans.
    """
    return _read(path, scan_ids)


def require_readable(path: Path) -> None:
    """Check every line but for the names of scans. Raises UsageError that names the line and the reason."""
    _read(path, None)


def write_wishes(path: Path, wishes: Sequence[Wish]) -> None:
    """Replace the file whole. Comments, and the extra columns of lines that stay, are kept.

    Raises WriteError; UsageError when the file there cannot be understood.
    """
    form = _form(None)
    sheet = read_sheet(path, form) if path.exists() else new_sheet(form)
    write_sheet(path, changed(sheet, wishes, form), form)


def _read(path: Path, scan_ids: Collection[str] | None) -> tuple[Wish, ...]:
    return tuple(row.record for row in read_sheet(path, _form(scan_ids)).rows) if path.exists() else ()


def _form(scan_ids: Collection[str] | None) -> Form[Wish]:
    return Form(
        COLUMNS,
        frozenset({"scan", "region"}),
        HEADER_COMMENT,
        lambda cells, line, comma: _wish_of(cells, scan_ids, line),
        _cells_of,
        _mended,
    )


def _wish_of(cells: Mapping[str, str], scan_ids: Collection[str] | None, line: int) -> Wish:
    word = cells.get("wish", "").casefold()
    if word not in {want.value for want in Want}:
        raise BadLine(f"the wish is {word!r}; it can be prefer or avoid")
    scan = _scan(cells.get("scan", ""), scan_ids)
    points = parse_region(cells.get("region", ""))
    return Wish(Want(word), scan, points, px_of(cells.get("unit", ""), scan, scan_ids), cells.get("note", ""), line)


def px_of(unit: str, scan_id: str, scan_ids: Collection[str] | None) -> str:
    """The scan whose px a region is in, "" for mm. `scan_ids` : names that may occur; None: any. Raises BadLine."""
    if unit.casefold() in ("", "mm"):
        return ""
    if unit.casefold() == "px":
        return scan_id
    match = re.fullmatch(r"px\s+of\s+(.+)", unit, re.IGNORECASE)
    if match is None:
        raise BadLine(f"the unit is {unit!r}; it can be mm (or empty), px, or px of another scan")
    return _scan(match[1], scan_ids)


def _scan(name: str, scan_ids: Collection[str] | None) -> str:
    return scan_named(name, {name} - {""} if scan_ids is None else scan_ids)


def _cells_of(wish: Wish) -> dict[str, str]:
    values = (wish.want.value, wish.scan_id, region_text(wish.points), unit_text(wish), wish.note)
    return dict(zip(COLUMNS, values, strict=True))


def _mended(cells: Cells, columns: Cells) -> Cells:
    """A region written without quotes in a file divided by commas, put together again.

    Its first cell is then a number by itself, which no region is; those that follow belong to it while they hold
    numbers.
    """
    at = columns.index("region") if "region" in columns else len(cells)
    if at >= len(cells) or not re.fullmatch(r"[-+]?[.\d]+", cells[at]):
        return cells
    end = at + 1
    while end < len(cells) and NUMBERS.fullmatch(cells[end]):
        end += 1
    return (*cells[:at], ",".join(cells[at:end]), *cells[end:])
