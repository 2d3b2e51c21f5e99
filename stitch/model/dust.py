"""What lies on a finished picture that is no paint, and what the painter says of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum


class Proof(StrEnum):
    """How it is known that a speck is no paint."""

    GLASS = "glass"  # several scans show it at one place of the bed
    ONE_SCAN = "one scan"  # of an overlap: another scan shows the place clean
    LOOKS = "looks"  # it only looks like it
    HAND = "by hand"  # the painter added the line


class Verdict(StrEnum):
    """What is to be done."""

    MEND = "mend"
    KEEP = "keep"
    ASK = "ask"  # nothing, until the painter says so


@dataclass(frozen=True, slots=True)
class DustSpot:
    """One line of the list: a capsule of the picture, in mm from its top-left corner, x right, y down.

    `line` is its line in the file it was read from, 0 when it was not read; it plays no part when spots are compared.
    """

    number: int
    x_mm: float
    y_mm: float
    size_mm: float  # across
    length_mm: float  # of a hair or a piece of one, without its round ends; 0 for a speck
    angle_deg: float  # from x towards y
    proof: Proof
    verdict: Verdict
    note: str = ""
    line: int = field(default=0, compare=False)
