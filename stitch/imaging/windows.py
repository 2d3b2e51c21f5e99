"""Cutting a grid into windows: every pixel in exactly one of them."""

from __future__ import annotations

from collections.abc import Iterator

from stitch.model.geometry import Size, Window


def bands(size: Size, height_px: int) -> Iterator[Window]:
    """Full-width windows of at most `height_px` rows, top to bottom."""
    yield from blocks(size.window(), size.width_px, height_px)


def blocks(area: Window, width_px: int, height_px: int) -> Iterator[Window]:
    """Windows of at most width × height that cover `area` once, row by row."""
    if width_px < 1 or height_px < 1:
        raise ValueError(f"a window needs at least one pixel, not {width_px} × {height_px}")
    for y in range(area.y0_px, area.y1_px, height_px):
        for x in range(area.x0_px, area.x1_px, width_px):
            yield Window(x, y, min(width_px, area.x1_px - x), min(height_px, area.y1_px - y))
