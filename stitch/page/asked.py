"""What a page may ask to be changed, checked before anything is done."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from stitch.model.geometry import Size

LONGEST_MM = 100_000.0
LARGEST = 1e9  # of any number; NaN is not below it


class NotUnderstood(Exception):
    """A request that the page never makes."""


@dataclass(frozen=True, slots=True)
class Point:
    """A place in a scan, px as its file shows it."""

    scan: int
    px: tuple[float, float]


class Asked:
    """One request; every reading raises NotUnderstood when the value is not what it should be."""

    def __init__(self, body: Mapping[str, Any], sizes: Sequence[Size]) -> None:
        self._body, self._sizes = body, sizes

    @property
    def what(self) -> str:
        """The kind of change."""
        return str(self._body.get("do"))

    def number(self, field: str, below: int) -> int:
        """A whole number from 0 on."""
        value = self._body.get(field)
        if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value < below:
            raise NotUnderstood(f"{field} is not understood.")
        return value

    def scan(self, field: str) -> int:
        """The number of a scan."""
        return self.number(field, len(self._sizes))

    def pair(self) -> tuple[int, int]:
        """Two scans."""
        a, b = self.scan("a"), self.scan("b")
        if a == b:
            raise NotUnderstood("A pair is two scans.")
        return a, b

    def point(self, scan_field: str, px_field: str) -> Point:
        """A place inside a scan."""
        scan, value = self.scan(scan_field), self._body.get(px_field)
        if not isinstance(value, list) or len(value) != 2 or not all(_is_number(v) for v in value):
            raise NotUnderstood(f"{px_field} is not understood.")
        x, y, size = float(value[0]), float(value[1]), self._sizes[scan]
        if not (-0.5 <= x <= size.width_px - 0.5 and -0.5 <= y <= size.height_px - 0.5):
            raise NotUnderstood("That place lies outside the scan.")
        return Point(scan, (x, y))

    def turn_deg(self) -> int:
        """How far b is turned against a."""
        value = self.number("turn_deg", 360)
        if value % 90:
            raise NotUnderstood("turn_deg is not understood.")
        return value

    def length_mm(self) -> float:
        """A ruler reading."""
        value = self._body.get("length_mm")
        if not _is_number(value) or not 0 < float(value) <= LONGEST_MM:  # type: ignore[arg-type]
            raise NotUnderstood("The length is not understood. Give it in millimetres, for instance 250.")
        return float(value)  # type: ignore[arg-type]


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < LARGEST
