"""Lengths as a person writes them: 610mm, 61cm, 24in, 24 1/2in, 24", 61,5 cm, or bare with a unit given apart."""

from __future__ import annotations

import re
from enum import StrEnum
from fractions import Fraction

from stitch.errors import UsageError

MM_PER_INCH = 25.4  # exact, international inch


class Unit(StrEnum):
    """Units of length a bare number may be in."""

    MM = "mm"
    CM = "cm"
    IN = "in"


_MM_PER = {Unit.MM: Fraction(1), Unit.CM: Fraction(10), Unit.IN: Fraction(254, 10)}
_SPELLINGS = {
    "mm": Unit.MM,
    "millimetres": Unit.MM,
    "millimeters": Unit.MM,
    "cm": Unit.CM,
    "centimetres": Unit.CM,
    "centimeters": Unit.CM,
    "in": Unit.IN,
    "inch": Unit.IN,
    "inches": Unit.IN,
    '"': Unit.IN,
    "''": Unit.IN,
    "″": Unit.IN,
    "”": Unit.IN,
}
_SIGNS = {"½": "1/2", "¼": "1/4", "¾": "3/4", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8", "⁄": "/"}
_PARTS = re.compile(r"(?P<number>[0-9.,/\s-]*[0-9/])\s*(?P<unit>[^\s0-9.,/-][^0-9]*)?")
_NUMBER = re.compile(r"(?:(?P<whole>\d+)(?:\s+|-))?(?P<over>\d+)/(?P<under>\d+)|(?P<decimal>\d+(?:[.,]\d+)?|[.,]\d+)")
_EXAMPLES = "Write it like 610mm, 61cm, 24in or '24 1/2in'."


def parse_length_mm(text: str, *, what: str, unit: Unit | None = None) -> float:
    """A length in mm.

    what : the option, for the message. unit : of a bare number; None: a bare number is an error.

    Raises UsageError that says what is wrong with the text.
    """
    spelled = text.strip()
    for sign, plain in _SIGNS.items():
        spelled = spelled.replace(sign, plain if plain == "/" else f" {plain}")
    match = _PARTS.fullmatch(spelled.strip())
    if match is None:
        raise UsageError(f"{what}: {text!r} is not a length.", advice=_EXAMPLES)
    found = _unit(match["unit"], text, what=what) or unit
    if found is None:
        raise UsageError(f"{what}: {text!r} has no unit.", advice=f"{_EXAMPLES[:-1]}, or add --unit mm.")
    length = _number(match["number"].strip(), text, what=what) * _MM_PER[found]
    if length <= 0:
        raise UsageError(f"{what}: {text!r} is not more than nothing.", advice=_EXAMPLES)
    return float(length)


def _unit(spelled: str | None, text: str, *, what: str) -> Unit | None:
    if spelled is None or not spelled.strip():
        return None
    unit = _SPELLINGS.get(spelled.strip().lower())
    if unit is None:
        raise UsageError(f"{what}: {spelled.strip()!r} in {text!r} is not a unit known here.", advice=_EXAMPLES)
    return unit


def _number(spelled: str, text: str, *, what: str) -> Fraction:
    if re.fullmatch(r"\d+,\d{3}", spelled):
        raise UsageError(
            f"{what}: the comma in {text!r} may mean thousands or decimals.",
            advice=f"Write {spelled.replace(',', '')} or {spelled.replace(',', '.')} with its unit.",
        )
    match = _NUMBER.fullmatch(spelled)
    if match is None:
        raise UsageError(f"{what}: {spelled!r} in {text!r} is not a number.", advice=_EXAMPLES)
    if match["decimal"]:
        return Fraction(match["decimal"].replace(",", "."))
    if int(match["under"]) == 0:
        raise UsageError(f"{what}: {text!r} divides by nothing.", advice=_EXAMPLES)
    return int(match["whole"] or 0) + Fraction(int(match["over"]), int(match["under"]))


def as_inches(length_mm: float) -> str:
    """A length in inches with two decimals, for tables."""
    return f"{length_mm / MM_PER_INCH:.2f}"
