"""What the painter says of the scans by hand: places that are the same, scans that do not touch, known distances.

Places are px of a scan as its file shows it, x right, y down, origin at the centre of the top-left pixel.
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Tie:
    """The same thing of the painting, seen in two scans.

    `line` is its line in the file it was read from, 0 when it was not read; it plays no part when ties are compared.
    """

    scan_a: str
    a_px: tuple[float, float]
    scan_b: str
    b_px: tuple[float, float]
    weight: float = 1.0  # 4: as sure as four ties of weight 1
    note: str = ""
    line: int = field(default=0, compare=False)

    @property
    def scan_ids(self) -> tuple[str, str]:
        """The two scans, in the order of their names."""
        return ordered(self.scan_a, self.scan_b)


@dataclass(frozen=True, slots=True)
class SureTie:
    """A tie as the solve takes it, with the standard deviation of where it puts b's place against a's."""

    tie: Tie
    sigma_mm: float  # along each axis
    turn_deg: int | None = None  # how far b lies turned against a, where she saw it


@dataclass(frozen=True, slots=True)
class Apart:
    """Two scans that do not touch."""

    scan_a: str
    scan_b: str
    note: str = ""
    line: int = field(default=0, compare=False)

    @property
    def scan_ids(self) -> tuple[str, str]:
        """The two scans, in the order of their names."""
        return ordered(self.scan_a, self.scan_b)


@dataclass(frozen=True, slots=True)
class Distance:
    """Two places a ruler was held between; they may lie in one scan or in two."""

    scan_a: str
    a_px: tuple[float, float]
    scan_b: str
    b_px: tuple[float, float]
    length_mm: float
    note: str = ""
    line: int = field(default=0, compare=False)


@dataclass(frozen=True, slots=True)
class TieBook:
    """Everything said by hand in one job."""

    ties: tuple[Tie, ...] = ()
    apart: tuple[Apart, ...] = ()
    distances: tuple[Distance, ...] = ()

    def by_pair(self) -> dict[tuple[str, str], tuple[Tie, ...]]:
        """The ties of every two scans, all in one sense: scan_a is the first of the two in the order of names."""
        found: dict[tuple[str, str], list[Tie]] = {}
        for tie in self.ties:
            found.setdefault(tie.scan_ids, []).append(tie if tie.scan_a == tie.scan_ids[0] else swapped(tie))
        return {key: tuple(ties) for key, ties in found.items()}

    def apart_pairs(self) -> frozenset[tuple[str, str]]:
        """Every two scans that do not touch."""
        return frozenset(one.scan_ids for one in self.apart)


def ordered(one: str, other: str) -> tuple[str, str]:
    """Two names in their order."""
    return (one, other) if one <= other else (other, one)


def swapped(tie: Tie) -> Tie:
    """The same tie with its scans exchanged."""
    return Tie(tie.scan_b, tie.b_px, tie.scan_a, tie.a_px, tie.weight, tie.note, tie.line)
