"""The choices that a print is made by."""

from __future__ import annotations

from enum import StrEnum


class Fit(StrEnum):
    """What is done about a shape that differs."""

    CROP = "crop"
    BORDER = "border"
    STRETCH = "stretch"


class Intent(StrEnum):
    """Rendering intents, ICC.1:2010, 6.2."""

    PERCEPTUAL = "perceptual"
    RELATIVE = "relative"
    SATURATION = "saturation"
    ABSOLUTE = "absolute"


class FileKind(StrEnum):
    """How a print is written."""

    JPEG = "jpeg"
    TIFF8 = "tiff8"
    TIFF16 = "tiff16"

    @property
    def bits(self) -> int:
        """Bits a channel."""
        return 16 if self is FileKind.TIFF16 else 8

    @property
    def ending(self) -> str:
        """The ending of its files."""
        return ".jpg" if self is FileKind.JPEG else ".tif"
