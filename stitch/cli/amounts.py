"""Checks of the other values typed: sizes of paintings, resolutions, memory."""

from __future__ import annotations

import math
import re
from pathlib import Path

from stitch.cli.lengths import Unit, parse_length_mm
from stitch.errors import UsageError

SIDE_RANGE_MM = (10.0, 20_000.0)
TOLERANCE_MOST_MM = 100.0
DPI_RANGE = (10.0, 20_000.0)
MEMORY_RANGE_MB = (100, 1_000_000)
_MB_PER = {"": 1.0, "mb": 1.0, "m": 1.0, "mib": 1.048576, "gb": 1e3, "g": 1e3, "gib": 1073.741824}


def side_mm(text: str, *, what: str, unit: Unit | None) -> float:
    """One side of a painting in mm. Raises UsageError for what no painting on a flatbed can be."""
    length = parse_length_mm(text, what=what, unit=unit)
    least, most = SIDE_RANGE_MM
    if not least <= length <= most:
        raise UsageError(
            f"{what}: {text!r} is {length:g} mm, which cannot be a painting's side.",
            advice=f"Anything from {least:g} mm to {most / 1000:g} m is taken; is the unit right?",
        )
    return length


def tolerance_mm(text: str, *, unit: Unit | None) -> float:
    """A tolerance in mm. Raises UsageError."""
    length = parse_length_mm(text, what="--tolerance", unit=unit)
    if length > TOLERANCE_MOST_MM:
        raise UsageError(
            f"--tolerance: {text!r} is {length:g} mm; nothing would be checked.",
            advice=f"Take a tolerance of at most {TOLERANCE_MOST_MM:g} mm.",
        )
    return length


def path_or_none(path: Path) -> str:
    """The absolute path of a file; "" for the word none, which takes one on record away."""
    return "" if str(path) == "none" else str(path.absolute())


def dpi(value: float, *, what: str) -> float:
    """A resolution in pixels per inch. Raises UsageError."""
    least, most = DPI_RANGE
    if not math.isfinite(value) or not least <= value <= most:
        raise UsageError(f"{what}: {value:g} is not a resolution.", advice=f"Take {least:g} to {most:g}, e.g. 600.")
    return float(value)


def memory_mb(text: str) -> int:
    """A memory budget in MB (millions of bytes) from 1GB, 800MB or a bare number of MB. Raises UsageError."""
    match = re.fullmatch(r"\s*(\d+(?:[.,]\d+)?)\s*([a-zA-Z]*)\s*", text)
    if match is None or match[2].lower() not in _MB_PER:
        raise UsageError(f"--memory: {text!r} is not an amount of memory.", advice="Write it like 1GB or 800MB.")
    amount = float(match[1].replace(",", ".")) * _MB_PER[match[2].lower()]
    least, most = MEMORY_RANGE_MB
    if not least <= amount <= most:
        raise UsageError(
            f"--memory: {text!r} is {amount:g} MB, which cannot work.", advice=f"Take at least {least} MB, e.g. 1GB."
        )
    return int(amount)


def jobs(value: int) -> int:
    """A number of cores to use. Raises UsageError."""
    if value < 1:
        raise UsageError(f"--jobs: {value} cores cannot work.", advice="Take 1 or more, or leave it away for all.")
    return value


def place_mm(text: str, *, what: str, unit: Unit | None) -> tuple[float, float]:
    """A place as x and y in mm from the top-left corner, written like 20mm,30mm. Raises UsageError."""
    sides = [part.strip() for part in text.split(",")]
    if len(sides) != 2 or not all(sides):
        raise UsageError(f"{what}: {text!r} is no place.", advice="Write it like 20mm,30mm: to the right, then down.")
    x, y = (parse_length_mm(side, what=what, unit=unit) for side in sides)
    return x, y
