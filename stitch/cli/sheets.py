"""Sizes of two sides as a person writes them: 610x914mm, 24 x 36 in, 24 1/2in × 36in, or a named sheet such as A2."""

from __future__ import annotations

import re
from collections.abc import Callable

from stitch.cli.lengths import MM_PER_INCH, Unit, parse_length_mm
from stitch.errors import UsageError

# ISO 216, trimmed sizes in mm.
_ISO = {
    "a0": (841, 1189),
    "a1": (594, 841),
    "a2": (420, 594),
    "a3": (297, 420),
    "a4": (210, 297),
    "a5": (148, 210),
    "a6": (105, 148),
    "b0": (1000, 1414),
    "b1": (707, 1000),
    "b2": (500, 707),
    "b3": (353, 500),
    "b4": (250, 353),
    "b5": (176, 250),
}
# Sheets customary in North America, in inches.
_AMERICAN = {"letter": (8.5, 11.0), "legal": (8.5, 14.0), "tabloid": (11.0, 17.0)}
SHEETS_MM = {
    **{name: (float(w), float(h)) for name, (w, h) in _ISO.items()},
    **{name: (w * MM_PER_INCH, h * MM_PER_INCH) for name, (w, h) in _AMERICAN.items()},
}
_NAMED = re.compile(r"(?P<name>[a-z]+\d?)(?:\s+(?P<way>landscape|portrait))?")
_ANY_UNIT = re.compile(r"[^\d\s.,/½¼¾⅛⅜⅝⅞⁄-]")


def size_mm(
    text: str, *, what: str, unit: Unit | None, side: Callable[..., float] = parse_length_mm
) -> tuple[float, float]:
    """Width and height in mm. A unit after the second side alone counts for both.

    what : the option, for the message. side : reads one length and checks it. Raises UsageError.
    """
    named = _NAMED.fullmatch(text.strip().casefold())
    if named is not None and named["name"] in SHEETS_MM:
        width, height = SHEETS_MM[named["name"]]
        return (height, width) if named["way"] == "landscape" else (width, height)
    sides = [part.strip() for part in re.split(r"[x×X]", text)]
    if len(sides) != 2 or not all(sides):
        raise UsageError(
            f"{what}: {text!r} is no size.", advice="Write width and height like 610x914mm or 24x36in, or A2 or letter."
        )
    first, second = sides
    shared = _ANY_UNIT.search(second)
    if shared and not _ANY_UNIT.search(first):
        first += second[shared.start() :]
    return side(first, what=what, unit=unit), side(second, what=what, unit=unit)
