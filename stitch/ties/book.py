"""`ties.csv`: the plain record of what was said by hand, that a person or a spreadsheet may edit."""

from __future__ import annotations

import contextlib
import csv
import io
import os
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from stitch.errors import UsageError, write_error
from stitch.model.ties import Apart, Distance, Tie, TieBook
from stitch.ties.lines import COLUMNS, BadLine, Record, cells_of, record_of

BOOK_NAME = "ties.csv"
SEPARATORS = ("\t", ";", ",")
COMMENT = "#"
HEADER_COMMENT = (
    "# One line says that two scans show the same place of the painting, and where in each of them.",
    "# x_ and y_ are pixels of that scan as its file is shown: x to the right, y down, 0,0 at the centre of the",
    "# top-left pixel. weight 2 counts twice, 1 is usual. kind is empty or tie; apart: these two do not touch (no",
    "# coordinates); distance: a ruler between the two places reads length_mm. Columns of your own are kept.",
)


@dataclass(frozen=True, slots=True)
class _Row:
    """One line of data: its cells as written, what it says, and the comments just above it."""

    cells: tuple[str, ...]
    record: Record
    above: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Sheet:
    """A whole file."""

    separator: str
    columns: tuple[str, ...]  # as written; those we know are recognised whatever their case
    is_titled: bool  # the file names its columns
    top: tuple[str, ...]  # comments above the titles
    rows: tuple[_Row, ...]
    below: tuple[str, ...]  # comments under the last line


NEW_SHEET = _Sheet(",", COLUMNS, is_titled=True, top=HEADER_COMMENT, rows=(), below=())


def read_book(path: Path, scan_ids: Collection[str]) -> TieBook:
    """What the file says; an empty book when there is none.

    Separators may be commas, semicolons or tabs, with a byte-order mark or without. Raises UsageError that names the
    line and the reason, when one is no record of these scans.
    """
    if not path.exists():
        return TieBook()
    return _book_of(row.record for row in _read(path, scan_ids).rows)


def require_readable(path: Path) -> None:
    """Check every line but for the names of scans. Raises UsageError that names the line and the reason."""
    if path.exists():
        _read(path, None)


def write_book(path: Path, book: TieBook) -> None:
    """Replace the file whole. Comments, and the extra columns of lines that stay, are kept.

    Raises WriteError; UsageError when the file there cannot be understood.
    """
    sheet = _read(path, None) if path.exists() else NEW_SHEET
    _write_whole(path, _text(_changed(sheet, book)))


def records_of(book: TieBook) -> tuple[Record, ...]:
    """All of a book in the order it is written in."""
    return (*book.ties, *book.apart, *book.distances)


def _book_of(records: Iterable[Record]) -> TieBook:
    found = tuple(records)
    return TieBook(
        tuple(one for one in found if isinstance(one, Tie)),
        tuple(one for one in found if isinstance(one, Apart)),
        tuple(one for one in found if isinstance(one, Distance)),
    )


def _read(path: Path, scan_ids: Collection[str] | None) -> _Sheet:
    lines = _lines(path)
    separator = _separator(lines)
    columns: tuple[str, ...] = COLUMNS
    is_titled = False
    top: tuple[str, ...] = ()
    rows: list[_Row] = []
    above: list[str] = []
    for number, line in enumerate(lines, start=1):
        written = next(csv.reader([line], delimiter=separator), [])
        cells = tuple(cell.strip() for cell in written)
        if not any(cells):
            continue
        if written[0].startswith(COMMENT):
            above.append(line)
        elif not rows and not is_titled and _are_titles(cells):
            columns, is_titled, top, above = cells, True, tuple(above), []
        else:
            rows.append(_Row(tuple(written), _record(path, cells, columns, scan_ids, number, separator), tuple(above)))
            above = []
    return _Sheet(separator, columns, is_titled, top, tuple(rows), tuple(above))


def _lines(path: Path) -> list[str]:
    try:
        data = path.read_bytes()
    except OSError as error:
        raise UsageError(f"{path} could not be read: {error.strerror or error}.") from error
    codec = "utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    try:
        return data.decode(codec).splitlines()
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace").splitlines()  # what older spreadsheets save


def _separator(lines: Sequence[str]) -> str:
    """The first of tab, semicolon and comma that divides the first line which is no comment."""
    for line in lines:
        if line.strip(' \t;,"') and not line.lstrip(' "').startswith(COMMENT):
            return next((one for one in SEPARATORS if one in line), ",")
    return ","


def _are_titles(cells: Sequence[str]) -> bool:
    return {"scan_a", "scan_b"} <= {cell.casefold() for cell in cells}


def _record(
    path: Path,
    cells: Sequence[str],
    columns: Sequence[str],
    scan_ids: Collection[str] | None,
    number: int,
    separator: str,
) -> Record:
    named = dict(zip((column.casefold() for column in columns), cells, strict=False))
    known = scan_ids if scan_ids is not None else {named.get("scan_a", ""), named.get("scan_b", "")}
    try:
        return record_of(named, known, number, comma=separator != ",")
    except BadLine as reason:
        raise UsageError(
            f"{path.name}, line {number}: {reason}.", advice="Correct that line, or delete it, and run it again."
        ) from None


def _changed(sheet: _Sheet, book: TieBook) -> _Sheet:
    """The sheet with just the book's records, in the book's order."""
    left = list(sheet.rows)
    rows = []
    for record in records_of(book):
        old = next((row for row in left if row.record == record), None)
        if old is not None:
            left.remove(old)
        rows.append(old or _Row((), record, ()))
    orphans = tuple(comment for row in left for comment in row.above)
    columns = sheet.columns if sheet.is_titled else COLUMNS
    missing = _missing_columns(columns, rows)
    return replace(
        sheet, columns=(*columns, *missing), is_titled=True, rows=tuple(rows), below=(*orphans, *sheet.below)
    )


def _missing_columns(columns: Sequence[str], rows: Sequence[_Row]) -> list[str]:
    known = {column.casefold() for column in columns}
    needed = {name for row in rows for name, cell in cells_of(row.record).items() if cell}
    return [name for name in COLUMNS if name in needed and name not in known]


def _text(sheet: _Sheet) -> str:
    out = io.StringIO()
    writer = csv.writer(out, delimiter=sheet.separator, lineterminator="\n")
    out.writelines(f"{comment}\n" for comment in sheet.top)
    writer.writerow(sheet.columns)
    for row in sheet.rows:
        out.writelines(f"{comment}\n" for comment in row.above)
        writer.writerow(row.cells or _new_cells(row.record, sheet))
    out.writelines(f"{comment}\n" for comment in sheet.below)
    return out.getvalue()


def _new_cells(record: Record, sheet: _Sheet) -> list[str]:
    cells = cells_of(record)
    if cells["scan_a"].startswith(COMMENT):
        cells["scan_a"] = f" {cells['scan_a']}"  # a scan's name, no comment
    return [cells.get(column.casefold(), "") for column in sheet.columns]


def _write_whole(path: Path, text: str) -> None:
    part = path.with_name(f"{path.stem}.part{path.suffix}")
    try:
        with part.open("w", encoding="utf-8", newline="\n") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as error:
        raise write_error(path, error) from error
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
