"""A plain table in a file: one line a record, with comments and columns of the reader's own that are kept.

Separators may be commas, semicolons or tabs, with a byte-order mark or without, as spreadsheets save them.
"""

from __future__ import annotations

import contextlib
import csv
import io
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Generic, TypeVar

from stitch.errors import UsageError, write_error
from stitch.sheet.cells import BadLine

SEPARATORS = ("\t", ";", ",")
COMMENT = "#"
T = TypeVar("T")
Cells = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Form(Generic[T]):
    """What the lines of a kind of file hold.

    `record_of` turns cells by column, the line's number and whether a comma is a decimal sign into a record, or raises
    BadLine; `cells_of` does the reverse. `mended` puts right what a separator inside a cell has torn apart.
    """

    columns: tuple[str, ...]
    named_by: frozenset[str]  # a line that holds all of these names the columns
    comment: tuple[str, ...]  # at the top of a new file
    record_of: Callable[[Mapping[str, str], int, bool], T]
    cells_of: Callable[[T], dict[str, str]]
    mended: Callable[[Cells, Cells], Cells] = lambda cells, columns: cells


@dataclass(frozen=True, slots=True)
class Row(Generic[T]):
    """One line of data: its cells as written, what it says, and the comments just above it."""

    cells: Cells
    record: T
    above: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Sheet(Generic[T]):
    """A whole file."""

    separator: str
    columns: Cells  # as written; those we know are recognised whatever their case
    is_titled: bool  # the file names its columns
    top: tuple[str, ...]  # comments above the titles
    rows: tuple[Row[T], ...]
    below: tuple[str, ...]  # comments under the last line


def new_sheet(form: Form[T]) -> Sheet[T]:
    """A file without a record."""
    return Sheet(",", form.columns, is_titled=True, top=form.comment, rows=(), below=())


def read_sheet(path: Path, form: Form[T]) -> Sheet[T]:
    """Read a file. Raises UsageError that names the line and the reason, when one is no record."""
    lines = _lines(path)
    separator = _separator(lines)
    columns, is_titled = form.columns, False
    top: tuple[str, ...] = ()
    rows: list[Row[T]] = []
    above: list[str] = []
    for number, line in enumerate(lines, start=1):
        written = next(csv.reader([line], delimiter=separator), [])
        cells = tuple(cell.strip() for cell in written)
        if not any(cells):
            continue
        if written[0].startswith(COMMENT):
            above.append(line)
        elif not rows and not is_titled and form.named_by <= {cell.casefold() for cell in cells}:
            columns, is_titled, top, above = cells, True, tuple(above), []
        else:
            rows.append(Row(tuple(written), _record(path, cells, columns, form, number, separator), tuple(above)))
            above = []
    return Sheet(separator, columns, is_titled, top, tuple(rows), tuple(above))


def changed(sheet: Sheet[T], records: Sequence[T], form: Form[T]) -> Sheet[T]:
    """The sheet with just these records, in this order; lines that stay keep their cells and comments."""
    left = list(sheet.rows)
    rows = []
    for record in records:
        old = next((row for row in left if row.record == record), None)
        if old is not None:
            left.remove(old)
        rows.append(old or Row((), record, ()))
    orphans = tuple(comment for row in left for comment in row.above)
    columns = sheet.columns if sheet.is_titled else form.columns
    missing = _missing_columns(columns, [row.record for row in rows], form)
    return replace(
        sheet, columns=(*columns, *missing), is_titled=True, rows=tuple(rows), below=(*orphans, *sheet.below)
    )


def write_sheet(path: Path, sheet: Sheet[T], form: Form[T]) -> None:
    """Replace the file whole. Raises WriteError."""
    part = path.with_name(f"{path.stem}.part{path.suffix}")
    try:
        with part.open("w", encoding="utf-8", newline="\n") as file:
            file.write(_text(sheet, form))
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as error:
        raise write_error(path, error) from error
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)


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


def _record(path: Path, cells: Cells, columns: Cells, form: Form[T], number: int, separator: str) -> T:
    known = tuple(column.casefold() for column in columns)
    named = dict(zip(known, form.mended(cells, known), strict=False))
    try:
        return form.record_of(named, number, separator != ",")
    except BadLine as reason:
        raise UsageError(
            f"{path.name}, line {number}: {reason}.", advice="Correct that line, or delete it, and run it again."
        ) from None


def _missing_columns(columns: Cells, records: Sequence[T], form: Form[T]) -> list[str]:
    known = {column.casefold() for column in columns}
    needed = {name for record in records for name, cell in form.cells_of(record).items() if cell}
    return [name for name in form.columns if name in needed and name not in known]


def _text(sheet: Sheet[T], form: Form[T]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, delimiter=sheet.separator, lineterminator="\n")
    out.writelines(f"{comment}\n" for comment in sheet.top)
    writer.writerow(sheet.columns)
    for row in sheet.rows:
        out.writelines(f"{comment}\n" for comment in row.above)
        writer.writerow(row.cells or _new_cells(row.record, sheet, form))
    out.writelines(f"{comment}\n" for comment in sheet.below)
    return out.getvalue()


def _new_cells(record: T, sheet: Sheet[T], form: Form[T]) -> list[str]:
    cells = form.cells_of(record)
    first, *rest = (cells.get(column.casefold(), "") for column in sheet.columns)
    return [f" {first}" if first.startswith(COMMENT) else first, *rest]  # a scan's name, no comment
