"""The scans as layers on the canvas: read by panels, tone looked up, sampled once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.compose.panels import Panel
from stitch.imaging.labels import covered, is_inside
from stitch.imaging.placed_map import PlacedMap
from stitch.imaging.resample import sample, source_window
from stitch.model.geometry import Window
from stitch.model.layout import Layout
from stitch.model.scans import PixelSource
from stitch.model.settings import Resample

FINE_TOP = 65535  # every layer is handled in 16 bits; an 8-bit code c is 257 c
EIGHT_BIT_STEP = 257


@dataclass(frozen=True, slots=True, eq=False)
class Layer:
    """One scan, placed; `fine` is a lookup table to 16-bit codes, or None when codes are taken as they are."""

    source: PixelSource
    placed: PlacedMap
    fine: NDArray[np.uint16] | None
    how: Resample = Resample.USUAL

    def needs(self, canvas: Window) -> Window:
        """The part of the scan that sampling `canvas` takes."""
        return source_window(self.placed, canvas, self.source.size, how=self.how)

    def sampled(self, canvas: Window, panel: Panel | None) -> NDArray[np.uint16]:
        """The scan on a canvas window, tone applied, in 16-bit codes (h, w, 3); zeros where they do not meet."""
        needed = self.needs(canvas)
        if needed.is_empty:
            return np.zeros((canvas.height_px, canvas.width_px, 3), dtype=np.uint16)
        if panel is not None and panel.holds(needed):
            pixels = panel.pixels[needed.slices_in(panel.window)]
        else:
            pixels = self.source.read(needed)
        if self.fine is not None:
            pixels = cv2.LUT(np.ascontiguousarray(pixels), self.fine)
        return sample(pixels, needed, self.placed, canvas, how=self.how)

    def covers(self, canvas: Window) -> NDArray[np.bool_] | None:
        """Which pixels of a canvas window the scan covers; None when it covers all of them."""
        return None if is_inside(self.placed, canvas) else covered(self.placed, canvas)


def make_layers(
    sources: Mapping[str, PixelSource],
    layout: Layout,
    tables: Mapping[str, NDArray[np.float32] | None],
    scan_ids: tuple[str, ...],
    bits: int,
    how: Resample = Resample.USUAL,
) -> tuple[Layer, ...]:
    """One layer for every scan, in the order of `scan_ids`."""
    layers = []
    for scan_id in scan_ids:
        source = sources[scan_id]
        placed = PlacedMap.of(layout.placement(scan_id), source.size)
        layers.append(Layer(source, placed, _fine_table(tables.get(scan_id), bits), how))
    return tuple(layers)


def coarse_codes(fine: NDArray[np.uint16], bits: int) -> NDArray[Any]:
    """16-bit codes in the master's own depth."""
    if bits == 16:
        return fine
    return np.asarray(cv2.convertScaleAbs(fine, alpha=1.0 / EIGHT_BIT_STEP))


def _fine_table(table: NDArray[np.float32] | None, bits: int) -> NDArray[np.uint16] | None:
    if table is not None:
        codes = np.rint(np.clip(table.astype(np.float64), 0.0, 1.0) * FINE_TOP)
        return np.ascontiguousarray(codes.astype(np.uint16).reshape(1, -1, 3))
    if bits == 8:
        return (np.arange(256) * EIGHT_BIT_STEP).astype(np.uint16)
    return None
