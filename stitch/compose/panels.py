"""Panels: the part of a scan that one band of the canvas takes, read so that nothing is read twice."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitch.model.geometry import Window
from stitch.model.scans import PixelSource


@dataclass(frozen=True, slots=True, eq=False)
class Panel:
    """Pixels of one window of a scan."""

    window: Window
    pixels: NDArray[Any]

    def holds(self, window: Window) -> bool:
        """True when `window` lies inside the panel."""
        return self.window.intersection(window) == window


def extended_panel(source: PixelSource, window: Window, previous: Panel | None) -> Panel | None:
    """A panel of `window`, taking over what `previous` already holds so that nothing is read twice."""
    if window.is_empty:
        return None
    shared = window.intersection(previous.window) if previous else Window(0, 0, 0, 0)
    if previous is None or shared.is_empty:
        return Panel(window, source.read(window))
    pixels = np.empty((window.height_px, window.width_px, 3), dtype=previous.pixels.dtype)
    pixels[shared.slices_in(window)] = previous.pixels[shared.slices_in(previous.window)]
    for part in _around(shared, window):
        pixels[part.slices_in(window)] = source.read(part)
    return Panel(window, pixels)


def _around(hole: Window, outer: Window) -> list[Window]:
    """The windows of `outer` that are not in `hole`: above, below, left, right."""
    above = Window(outer.x0_px, outer.y0_px, outer.width_px, hole.y0_px - outer.y0_px)
    below = Window(outer.x0_px, hole.y1_px, outer.width_px, outer.y1_px - hole.y1_px)
    left = Window(outer.x0_px, hole.y0_px, hole.x0_px - outer.x0_px, hole.height_px)
    right = Window(hole.x1_px, hole.y0_px, outer.x1_px - hole.x1_px, hole.height_px)
    return [part for part in (above, below, left, right) if not part.is_empty]
