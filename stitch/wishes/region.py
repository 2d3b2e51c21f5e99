"""A region as it is written: two opposite corners, or the corners of a polygon in their order around it."""

from __future__ import annotations

import itertools
import math
import re

from stitch.model.wishes import Points, Wish
from stitch.sheet.cells import BadLine, shown

HOW = "write two corners like 120,80 160,110, or more for a polygon, with a point for decimals"
NO_AREA = 1e-9


def parse_region(text: str) -> Points:
    """The corners in a text such as "120,80 160,110"; commas may be left away. Raises BadLine."""
    tokens = text.split()
    if not tokens:
        raise BadLine(f"the region is missing; {HOW}")
    with_comma = [token for token in tokens if "," in token]
    if with_comma and len(with_comma) < len(tokens) and not re.search(r",\s|\s,", text):
        raise BadLine(f"the region {text!r} mixes places with and without a comma; {HOW}")
    if any(token.strip(",").count(",") > 1 for token in tokens) and len(tokens) > 1:
        raise BadLine(f"the region {text!r} has places of more than two numbers; {HOW}")
    numbers = [_number(word, text) for word in re.split(r"[\s,]+", text.strip(" ,"))]
    if len(numbers) % 2 or len(numbers) < 4:
        raise BadLine(f"the region {text!r} holds {len(numbers)} numbers; {HOW}")
    points = tuple(zip(numbers[::2], numbers[1::2], strict=True))
    _require_area(points, text)
    return points


def region_text(points: Points) -> str:
    """The corners as they are written."""
    return " ".join(f"{shown(x)},{shown(y)}" for x, y in points)


def described(wish: Wish) -> str:
    """A wish in words: prefer A1 in 120,80 160,110 mm."""
    return f"{wish.want.value} {wish.scan_id} in {region_text(wish.points)} {unit_text(wish) or 'mm'}"


def unit_text(wish: Wish) -> str:
    """What the numbers are: "" for mm, "px" for those of the scan wished for, else "px of NAME"."""
    if not wish.px_of:
        return ""
    return "px" if wish.px_of == wish.scan_id else f"px of {wish.px_of}"


def _number(word: str, text: str) -> float:
    try:
        value = float(word)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise BadLine(f"in the region {text!r}, {word!r} is not a number; {HOW}")
    return value


def _require_area(points: Points, text: str) -> None:
    if len(points) == 2:
        has_area = points[0][0] != points[1][0] and points[0][1] != points[1][1]
    else:
        around = itertools.pairwise((*points, points[0]))
        has_area = abs(math.fsum(a[0] * b[1] - b[0] * a[1] for a, b in around)) > NO_AREA
        if _crosses_itself(points):
            raise BadLine(f"the sides of the region {text!r} cross; give its corners in their order around it")
    if not has_area:
        raise BadLine(f"the region {text!r} has no area; {HOW}")


def _crosses_itself(points: Points) -> bool:
    sides = list(itertools.pairwise((*points, points[0])))
    return any(
        _cross(*sides[i], *sides[j])
        for i in range(len(sides))
        for j in range(i + 2, len(sides))
        if (i, j) != (0, len(sides) - 1)
    )


Point = tuple[float, float]


def _cross(a: Point, b: Point, c: Point, d: Point) -> bool:
    def side(p: Point, q: Point, r: Point) -> float:
        return (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])

    return side(a, b, c) * side(a, b, d) < 0 and side(c, d, a) * side(c, d, b) < 0
