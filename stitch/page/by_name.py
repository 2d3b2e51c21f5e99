"""What the names of scans tell of where they lie: rows and columns, or the order of scanning."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

_PATTERNS = (
    re.compile(r"(?P<rest>.*?)(?<![^\W\d_])(?P<letter>[A-Za-z])[ _-]?(?P<column>\d{1,2})"),  # A1, flower B-12
    re.compile(r"(?P<rest>.*?)[Rr](?:ow)?[ _-]?(?P<row>\d{1,2})[ _-]?[Cc](?:ol|olumn)?[ _-]?(?P<column>\d{1,2})"),
    re.compile(r"(?P<rest>.*?)(?<!\d)(?P<row>\d{1,2})[ _x-](?P<column>\d{1,2})"),  # 2-3, leaf 1x4
)
_NUMBERED = re.compile(r"(?P<rest>.*?)(?P<number>\d+)")


@dataclass(frozen=True, slots=True)
class ByName:
    """A guess, to be said as one.

    `cells` : (column, row) of each scan, counted from 0; `is_grid` False when only the order of scanning is known.
    """

    cells: dict[str, tuple[int, int]]
    is_grid: bool

    def neighbours(self, name: str) -> list[str]:
        """Scans that this one probably touches, the likeliest first."""
        if name not in self.cells:
            return []
        column, row = self.cells[name]
        steps = {n: abs(c - column) + abs(r - row) for n, (c, r) in self.cells.items() if n != name}
        return sorted((n for n, step in steps.items() if step == 1), key=list(self.cells).index)


def by_name(names: Sequence[str]) -> ByName:
    """What the names tell; no cells when they tell nothing."""
    for pattern in _PATTERNS:
        cells = _cells(names, pattern)
        if cells is not None:
            return ByName(cells, is_grid=True)
    found = [_NUMBERED.fullmatch(name) for name in names]
    numbered = {(match["rest"], int(match["number"])): match[0] for match in found if match}
    if len(numbered) < len(names) or len({rest for rest, _ in numbered}) > 1:
        return ByName({}, is_grid=False)
    first = min((number for _, number in numbered), default=0)
    return ByName({name: (number - first, 0) for (_, number), name in numbered.items()}, is_grid=False)


def _cells(names: Sequence[str], pattern: re.Pattern[str]) -> dict[str, tuple[int, int]] | None:
    """Cells by one pattern; None unless every name fits it, with one beginning and no cell twice."""
    cells: dict[str, tuple[int, int]] = {}
    for name in names:
        match = pattern.fullmatch(name)
        if match is None or match["rest"] != (pattern.fullmatch(names[0]) or match)["rest"]:
            return None
        cells[name] = (int(match["column"]), _row(match))
    if len(set(cells.values())) < len(cells):
        return None
    left, top = (min(cell[i] for cell in cells.values()) for i in (0, 1))
    return {name: (column - left, row - top) for name, (column, row) in cells.items()}


def _row(match: re.Match[str]) -> int:
    letter = match.groupdict().get("letter")
    return ord(letter.upper()) - ord("A") if letter else int(match["row"])
