"""The list of dust: one line a speck, that a person or a spreadsheet may edit and a later run honours."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from stitch.model.dust import DustSpot, Proof, Verdict
from stitch.sheet.cells import BadLine, number_in, shown
from stitch.sheet.table import Form, changed, new_sheet, read_sheet, write_sheet

COLUMNS = ("number", "x_mm", "y_mm", "size_mm", "length_mm", "angle_deg", "proof", "verdict", "note")
HEADER_COMMENT = (
    "# One line a speck or a piece of a hair, in mm from the picture's top-left corner, x to the right, y down.",
    "# size is across, length that of a hair, angle its direction from x towards y. verdict: mend, keep, or ask,",
    "# which leaves it until you say so. Change verdicts, delete nothing; add a line with x, y, size and mend for a",
    "# speck of your own. Columns of your own are kept.",
)
Word = TypeVar("Word", Proof, Verdict)
LIST_DECIMALS = 3  # of mm
SAME_MM = 0.4  # two places nearer than this, or than half their size, are one speck


def read_spots(path: Path) -> tuple[DustSpot, ...]:
    """What the file says, in its order; nothing when there is none. Raises UsageError that names the line."""
    return tuple(row.record for row in read_sheet(path, FORM).rows) if path.exists() else ()


def write_spots(path: Path, spots: Sequence[DustSpot], read_from: Path) -> None:
    """Write the list to `path`, with the comments and the extra columns of the lines that stay. Raises WriteError."""
    sheet = read_sheet(read_from, FORM) if read_from.exists() else new_sheet(FORM)
    write_sheet(path, changed(sheet, spots, FORM), FORM)


def honoured(found: Sequence[DustSpot], listed: Sequence[DustSpot]) -> tuple[DustSpot, ...]:
    """The list with what was found now: lines that are there stay as they are, new specks come behind with a number.

    A line that was found again keeps its verdict; a proposal that is proven now is mended only when nothing was said.
    """
    kept = list(listed)
    places = _Places([*listed, *found])
    for k, one in enumerate(listed):
        places.add(k, one)
    number = max((one.number for one in kept), default=0)
    for spot in found:
        twin = next((k for k in places.near(spot) if _is_same(listed[k], spot)), None)
        if twin is None:
            number += 1
            kept.append(replace(spot, number=number))
        elif kept[twin].verdict is Verdict.ASK and spot.verdict is Verdict.MEND:
            kept[twin] = replace(kept[twin], proof=spot.proof, verdict=Verdict.MEND)
    return tuple(_numbered(kept))


def _numbered(spots: Sequence[DustSpot]) -> list[DustSpot]:
    """Lines added by hand without a number get one."""
    number = max((one.number for one in spots), default=0)
    found = []
    for one in spots:
        if one.number == 0:
            number += 1
            one = replace(one, number=number)
        found.append(one)
    return found


class _Places:
    """Lines by squares of the picture, so that only near ones are held against one another."""

    def __init__(self, spots: Sequence[DustSpot]) -> None:
        self._side_mm = max([SAME_MM, *(one.size_mm / 2 for one in spots)])
        self._squares: dict[tuple[int, int], list[int]] = {}

    def add(self, k: int, spot: DustSpot) -> None:
        self._squares.setdefault(self._square(spot), []).append(k)

    def near(self, spot: DustSpot) -> list[int]:
        """The numbers given to lines in its square and those beside it, in rising order."""
        x, y = self._square(spot)
        beside = [(x + i, y + j) for i in (-1, 0, 1) for j in (-1, 0, 1)]
        return sorted(k for square in beside for k in self._squares.get(square, ()))

    def _square(self, spot: DustSpot) -> tuple[int, int]:
        return math.floor(spot.x_mm / self._side_mm), math.floor(spot.y_mm / self._side_mm)


def _is_same(a: DustSpot, b: DustSpot) -> bool:
    near = max(SAME_MM, (a.size_mm + b.size_mm) / 4)
    return math.hypot(a.x_mm - b.x_mm, a.y_mm - b.y_mm) < near


def _spot_of(cells: Mapping[str, str], line: int, *, comma: bool) -> DustSpot:
    def number(column: str, usual: float | None = None) -> float:
        return usual if usual is not None and not cells.get(column, "") else number_in(cells, column, comma=comma)

    size = number("size_mm")
    if not 0 < size <= 10:
        raise BadLine(f"size_mm is {size:g}; it can be more than 0 and at most 10")
    length = number("length_mm", 0.0)
    if not 0 <= length <= 50:
        raise BadLine(f"length_mm is {length:g}; it can be 0 to 50")
    return DustSpot(
        number=int(number("number", 0.0)),
        x_mm=number("x_mm"),
        y_mm=number("y_mm"),
        size_mm=size,
        length_mm=length,
        angle_deg=number("angle_deg", 0.0),
        proof=_word(Proof, cells.get("proof", "") or Proof.HAND.value, "proof"),
        verdict=_word(Verdict, cells.get("verdict", ""), "verdict"),
        note=cells.get("note", ""),
        line=line,
    )


def _word(kind: type[Word], text: str, column: str) -> Word:
    words = {one.value: one for one in kind}
    if text.casefold() not in words:
        raise BadLine(f"{column} is {text!r}; it can be {', '.join(words)}")
    return words[text.casefold()]


def _cells_of(spot: DustSpot) -> dict[str, str]:
    lengths = (spot.x_mm, spot.y_mm, spot.size_mm, spot.length_mm)
    return dict(
        zip(
            COLUMNS,
            (
                str(spot.number),
                *(shown(round(mm, LIST_DECIMALS)) for mm in lengths),
                shown(round(spot.angle_deg, 1)),
                spot.proof.value,
                spot.verdict.value,
                spot.note,
            ),
            strict=True,
        )
    )


FORM: Form[DustSpot] = Form(
    COLUMNS,
    frozenset({"x_mm", "y_mm", "verdict"}),
    HEADER_COMMENT,
    lambda cells, line, comma: _spot_of(cells, line, comma=comma),
    _cells_of,
)
