"""What a cell of such a table may hold: a scan's name, a number."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping


class BadLine(ValueError):
    """Why a line is no record."""


def scan_named(name: str, scan_ids: Collection[str]) -> str:
    """The scan that a cell names, whatever its case, with or without the file's ending. Raises BadLine."""
    if not name:
        raise BadLine("a scan's name is missing")
    if name in scan_ids:
        return name
    alike = [one for one in scan_ids if one.casefold() in (name.casefold(), _stem(name).casefold())]
    if len(alike) == 1:
        return alike[0]
    raise BadLine(f"{name} is none of the scans ({', '.join(sorted(scan_ids))})")


def number_in(cells: Mapping[str, str], column: str, *, comma: bool) -> float:
    """The number in a line's cell. `comma` : whether 1200,5 is twelve hundred and a half. Raises BadLine."""
    text = cells.get(column, "")
    if not text:
        raise BadLine(f"{column} is missing")
    try:
        value = float(text.replace(",", ".") if comma else text)
    except ValueError:
        raise BadLine(f"{column} is {text!r}, which is not a number") from None
    if not math.isfinite(value):
        raise BadLine(f"{column} is {text!r}, which is not a number")
    return value


def shown(value: float) -> str:
    """A number that reads back as it was, without a needless decimal."""
    return str(int(value)) if value == int(value) else repr(float(value))


def _stem(name: str) -> str:
    return name.rpartition(".")[0]
