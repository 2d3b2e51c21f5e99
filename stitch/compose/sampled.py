"""The scans' pixels that one block of the canvas takes, each sampled once: for the block itself and for the blend."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from stitch.compose.layers import Layer
from stitch.compose.panels import Panel
from stitch.model.geometry import Window


class Sampled:
    """Samples of several layers, held for as long as a block is made."""

    def __init__(self, layers: Sequence[Layer], panels: Mapping[int, Panel | None]) -> None:
        self._layers, self._panels = layers, panels
        self._held: dict[int, tuple[Window, NDArray[np.uint16]]] = {}

    def hold(self, label: int, windows: Sequence[Window]) -> None:
        """Sample what several windows have in common once, where the box around them is no more than all of them."""
        if len(windows) < 2:
            return
        x0, y0 = min(one.x0_px for one in windows), min(one.y0_px for one in windows)
        x1, y1 = max(one.x1_px for one in windows), max(one.y1_px for one in windows)
        around = Window(x0, y0, x1 - x0, y1 - y0)
        if _area(around) <= sum(_area(one) for one in windows):
            self._held[label] = around, self._sampled(label, around)

    def read(self, label: int, window: Window) -> NDArray[np.uint16]:
        """The layer on a canvas window, as `Layer.sampled` gives it."""
        around, pixels = self._held.get(label, (None, None))
        if around is None or pixels is None or around.intersection(window) != window:
            return self._sampled(label, window)
        return np.ascontiguousarray(pixels[window.slices_in(around)])

    def _sampled(self, label: int, window: Window) -> NDArray[np.uint16]:
        return self._layers[label - 1].sampled(window, self._panels.get(label))


def _area(window: Window) -> int:
    return window.width_px * window.height_px
