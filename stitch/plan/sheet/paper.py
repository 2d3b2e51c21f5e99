"""Paper that the sheet is printed on."""

from __future__ import annotations

from enum import StrEnum


class Paper(StrEnum):
    """Paper to print on."""

    A4 = "a4"
    LETTER = "letter"

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height."""
        return (210.0, 297.0) if self is Paper.A4 else (215.9, 279.4)
