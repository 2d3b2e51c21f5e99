"""Sizes of prints, and the sets of them that frames are sold for."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass

from stitch.imaging.affine import MM_PER_INCH

# Frame sizes customary in North America, ISO 216 sheets, and square frames: common practice.
SETS: Mapping[str, tuple[str, ...]] = {
    "inch": ("5x7in", "8x10in", "11x14in", "16x20in", "18x24in", "20x24in", "24x36in"),
    "iso": ("A5", "A4", "A3", "A2", "A1"),
    "square": ("8x8in", "10x10in", "12x12in", "16x16in", "20x20in"),
}


@dataclass(frozen=True, slots=True)
class PrintSize:
    """A size as named, upright or lying as it was written, in mm."""

    name: str
    width_mm: float
    height_mm: float

    def following(self, *, is_wide: bool) -> PrintSize:
        """The size turned so that it lies as the work does."""
        if (self.width_mm > self.height_mm) == is_wide or self.width_mm == self.height_mm:
            return self
        return PrintSize(self.name, self.height_mm, self.width_mm)


def pixels(length_mm: float, dpi: float) -> int:
    """Pixels of a length, to the nearest whole one: inches × dpi, exactly, where that is whole."""
    return max(1, int(length_mm * dpi / MM_PER_INCH + 0.5 + 1e-9))


def plain_name(text: str) -> str:
    """A size's name as it stands in file names: 16x20in, A4."""
    plain = unicodedata.normalize("NFC", "".join(text.split())).replace("×", "x").replace("X", "x")
    return plain.upper() if plain[:1].lower() in "ab" and plain[1:].isdigit() else plain.lower()
