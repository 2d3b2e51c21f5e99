"""One block of the canvas: every pixel from its own scan, then the blend near the seams."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.compose.blend import blend_boxes, blend_spans, blended
from stitch.compose.layers import Layer, coarse_codes
from stitch.compose.panels import Panel
from stitch.compose.sampled import Sampled
from stitch.imaging import pyramid
from stitch.imaging.colour import Encoding
from stitch.imaging.labels import label_box, labels_at, present
from stitch.imaging.placed_map import PlacedMap
from stitch.model.geometry import Window
from stitch.model.layout import Layout
from stitch.model.seams import LabelMap

CELL_REACH = 2  # cells by which the smoothed label may run ahead of its lattice


@dataclass(frozen=True, slots=True, eq=False)
class Canvas:
    """Everything a block needs to make its own pixels."""

    layers: tuple[Layer, ...]
    layout: Layout
    encoding: Encoding
    label_map: LabelMap
    bits: int
    uncovered_code: tuple[int, int, int]
    levels: int

    @property
    def maps(self) -> dict[str, PlacedMap]:
        """The map of every scan, by its name."""
        return {name: layer.placed for name, layer in zip(self.label_map.scan_ids, self.layers, strict=True)}

    def labels(self, window: Window) -> NDArray[np.uint8]:
        """Labels of a canvas window."""
        return labels_at(self.label_map, self.maps, window)


def panel_windows(canvas: Canvas, band: Window) -> dict[int, Window]:
    """The part of every scan that making `band` takes, by label; scans that take no part are left out."""
    margin = pyramid.reach_px(canvas.levels) + 2**canvas.levels
    rows = band.grown(margin)
    cell = canvas.label_map.cell_px
    first = max(0, rows.y0_px // cell - CELL_REACH)
    near = canvas.label_map.cells[first : max(0, rows.y1_px // cell + 1 + CELL_REACH)]
    found = {}
    for label in present(near):
        columns = np.flatnonzero((near == label).any(axis=0))
        x0 = (int(columns[0]) - CELL_REACH) * cell - margin
        x1 = (int(columns[-1]) + 1 + CELL_REACH) * cell + margin
        wide = Window(x0, rows.y0_px, x1 - x0, rows.height_px)
        window = canvas.layers[label - 1].needs(wide)
        if not window.is_empty:
            found[label] = window
    return found


def fill_block(
    canvas: Canvas,
    panels: Mapping[int, Panel | None],
    block: Window,
    pixels: NDArray[Any],
    block_labels: NDArray[np.uint8],
) -> None:
    """Make one block of the canvas: fills `pixels` (h, w, 3) and `block_labels` (h, w), both of the block's size."""
    grown = pyramid.aligned(block.grown(pyramid.reach_px(canvas.levels)), canvas.levels)
    around = canvas.labels(grown)
    labels = around[block.slices_in(grown)]
    block_labels[...] = labels
    own = {label: label_box(labels, block, label) for label in present(labels)}
    blends = [_Blend.of(box, around, grown, canvas.levels) for box in blend_boxes(around, grown, block, canvas.levels)]
    sampled = Sampled(canvas.layers, panels)
    for label in present(around):
        wanted = [own[label]] if label in own else []
        sampled.hold(label, wanted + [blend.spans[label] for blend in blends if label in blend.spans])
    for label, box in own.items():
        inside = box.slices_in(block)
        _put(pixels[inside], coarse_codes(sampled.read(label, box), canvas.bits), labels[inside] == label)
    for blend in blends:
        _blend_into(canvas, sampled, blend, pixels[blend.box.slices_in(block)])
    if not labels.all():
        pixels[labels == 0] = canvas.uncovered_code


@dataclass(frozen=True, slots=True, eq=False)
class _Blend:
    """A box that the blend fills, and what it takes for that."""

    box: Window
    window: Window  # with all around the box that it depends on
    labels: NDArray[np.uint8]  # of the window
    spans: Mapping[int, Window]  # what of each scan it takes

    @staticmethod
    def of(box: Window, around: NDArray[np.uint8], grown: Window, levels: int) -> _Blend:
        """`around` : the labels of `grown`, which holds all that the box depends on."""
        window = pyramid.aligned(box.grown(pyramid.reach_px(levels)), levels)
        labels = np.ascontiguousarray(around[window.slices_in(grown)])
        return _Blend(box, window, labels, blend_spans(labels, window, levels))


def _blend_into(canvas: Canvas, sampled: Sampled, blend: _Blend, pixels: NDArray[Any]) -> None:
    linear, changed = blended(canvas.layers, sampled, canvas.encoding, blend.labels, blend.window, canvas.levels)
    inside = blend.box.slices_in(blend.window)
    changed = changed[inside] & (blend.labels[inside] != 0)
    if changed.any():
        pixels[changed] = canvas.encoding.encode_to_codes(linear[inside][changed], canvas.bits)


def _put(target: NDArray[Any], codes: NDArray[Any], mask: NDArray[np.bool_]) -> None:
    if mask.all():
        target[...] = codes
    else:
        cv2.copyTo(np.ascontiguousarray(codes), mask.view(np.uint8), target)
