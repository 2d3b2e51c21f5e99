"""`ties.csv`: the plain record of what was said by hand, that a person or a spreadsheet may edit."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from pathlib import Path

from stitch.model.ties import Apart, Distance, Tie, TieBook
from stitch.sheet.table import Form, changed, new_sheet, read_sheet, write_sheet
from stitch.ties.lines import COLUMNS, Record, cells_of, record_of

BOOK_NAME = "ties.csv"
HEADER_COMMENT = (
    "# One line says that two scans show the same place of the painting, and where in each of them.",
    "# x_ and y_ are pixels of that scan as its file is shown: x to the right, y down, 0,0 at the centre of the",
    "# top-left pixel. weight 2 counts twice, 1 is usual. kind is empty or tie; apart: these two do not touch (no",
    "# coordinates); distance: a ruler between the two places reads length_mm. Columns of your own are kept.",
)


def read_book(path: Path, scan_ids: Collection[str]) -> TieBook:
    """What the file says; an empty book when there is none.

    Separators may be commas, semicolons or tabs, with a byte-order mark or without. Raises UsageError that names the
    line and the reason, when one is no record of these scans.
    """
    if not path.exists():
        return TieBook()
    return _book_of(row.record for row in read_sheet(path, _form(scan_ids)).rows)


def require_readable(path: Path) -> None:
    """Check every line but for the names of scans. Raises UsageError that names the line and the reason."""
    if path.exists():
        read_sheet(path, _form(None))


def write_book(path: Path, book: TieBook) -> None:
    """Replace the file whole. Comments, and the extra columns of lines that stay, are kept.

    Raises WriteError; UsageError when the file there cannot be understood.
    """
    form = _form(None)
    sheet = read_sheet(path, form) if path.exists() else new_sheet(form)
    write_sheet(path, changed(sheet, records_of(book), form), form)


def records_of(book: TieBook) -> tuple[Record, ...]:
    """All of a book in the order it is written in."""
    return (*book.ties, *book.apart, *book.distances)


def _form(scan_ids: Collection[str] | None) -> Form[Record]:
    """The form of the file. `scan_ids` : names that may occur; None: any."""
    return Form(
        COLUMNS,
        frozenset({"scan_a", "scan_b"}),
        HEADER_COMMENT,
        lambda cells, line, comma: record_of(
            cells,
            {cells.get("scan_a", ""), cells.get("scan_b", "")} if scan_ids is None else scan_ids,
            line,
            comma=comma,
        ),
        cells_of,
    )


def _book_of(records: Iterable[Record]) -> TieBook:
    found = tuple(records)
    return TieBook(
        tuple(one for one in found if isinstance(one, Tie)),
        tuple(one for one in found if isinstance(one, Apart)),
        tuple(one for one in found if isinstance(one, Distance)),
    )
