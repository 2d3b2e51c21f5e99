"""Sizes and windows of pixel grids.

Convention everywhere: x right, y down, origin at the CENTRE of the top-left pixel; a pixel covers ±0.5.
Points are (x, y); arrays are [y, x, channel]; windows are half-open in whole pixels.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Size:
    """Width and height of a pixel grid."""

    width_px: int
    height_px: int

    @property
    def megapixels(self) -> float:
        """Millions of pixels."""
        return self.width_px * self.height_px / 1e6

    def window(self) -> Window:
        """The window that covers the whole grid."""
        return Window(0, 0, self.width_px, self.height_px)


@dataclass(frozen=True, slots=True)
class Window:
    """A half-open rectangle of whole pixels; may lie partly outside its grid until clipped."""

    x0_px: int
    y0_px: int
    width_px: int
    height_px: int

    @property
    def x1_px(self) -> int:
        """First column to the right of the window."""
        return self.x0_px + self.width_px

    @property
    def y1_px(self) -> int:
        """First row below the window."""
        return self.y0_px + self.height_px

    @property
    def is_empty(self) -> bool:
        """True when the window holds no pixel."""
        return self.width_px <= 0 or self.height_px <= 0

    def grown(self, margin_px: int) -> Window:
        """The window with `margin_px` more on every side."""
        return Window(
            self.x0_px - margin_px,
            self.y0_px - margin_px,
            self.width_px + 2 * margin_px,
            self.height_px + 2 * margin_px,
        )

    def clipped(self, size: Size) -> Window:
        """The part inside a grid of `size` (zero width or height when none is)."""
        return self.intersection(size.window())

    def intersection(self, other: Window) -> Window:
        """The common part (zero width or height when there is none)."""
        x0, y0 = max(self.x0_px, other.x0_px), max(self.y0_px, other.y0_px)
        x1, y1 = min(self.x1_px, other.x1_px), min(self.y1_px, other.y1_px)
        return Window(x0, y0, max(0, x1 - x0), max(0, y1 - y0))

    def slices_in(self, outer: Window) -> tuple[slice, slice]:
        """Index of this window inside an array that holds `outer`: array[rows, columns]."""
        y, x = self.y0_px - outer.y0_px, self.x0_px - outer.x0_px
        return slice(y, y + self.height_px), slice(x, x + self.width_px)
