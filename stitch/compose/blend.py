"""The blend near a seam: every frequency crosses over as widely as its own wavelength, in linear light.

Burt & Adelson 1983 (see `imaging.pyramid`), in difference form. With B the picture as the cut gives it and I_k the
scans, result = B + Σ_k collapse(w_k · bands(I_k − B)): where the scans agree nothing is added, and where only one scan
is near, w_k or I_k − B is exactly zero, so that its pixels stay as they are.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.compose.layers import Layer
from stitch.compose.sampled import Sampled
from stitch.imaging import pyramid
from stitch.imaging.colour import Encoding
from stitch.imaging.labels import label_box, present
from stitch.model.geometry import Size, Window

SMALLEST_SPLIT_PX = 256  # boxes are not cut up below this
SPLIT_GAIN = 0.9  # and only when it saves this much
Labels = NDArray[np.uint8]


def touched_box(labels: Labels, window: Window, halo_px: int) -> Window:
    """The part of the canvas that the blend can change: within reach of two scans at once. May be empty.

    `labels` are those of `window`.
    """
    boxes = [label_box(labels, window, label).grown(halo_px) for label in present(labels)]
    meets = [a.intersection(b) for i, a in enumerate(boxes) for b in boxes[:i]]
    return _around_all([meet for meet in meets if not meet.is_empty])


def blend_boxes(labels: Labels, window: Window, area: Window, levels: int) -> list[Window]:
    """Boxes of `area` that hold everything the blend can change, cut up so that little else has to be worked out.

    `labels` are those of `window`, which reaches around `area` by the pyramid's reach. Boxes do not overlap.
    """
    halo = pyramid.reach_px(levels)
    near = area.grown(halo).intersection(window)
    box = touched_box(labels[near.slices_in(window)], near, halo).intersection(area)
    if box.is_empty:
        return []
    longer = max(box.width_px, box.height_px)
    if longer <= SMALLEST_SPLIT_PX:
        return [box]
    parts = [part for half in _halves(box) for part in blend_boxes(labels, window, half, levels)]
    cost, cost_split = _work(box, halo), sum(_work(part, halo) for part in parts)
    return parts if cost_split < SPLIT_GAIN * cost else [box]


def _halves(box: Window) -> tuple[Window, Window]:
    x0, y0, width, height = box.x0_px, box.y0_px, box.width_px, box.height_px
    if width >= height:
        half = width // 2
        return Window(x0, y0, half, height), Window(x0 + half, y0, width - half, height)
    half = height // 2
    return Window(x0, y0, width, half), Window(x0, y0 + half, width, height - half)


def _work(box: Window, halo_px: int) -> int:
    return (box.width_px + 2 * halo_px) * (box.height_px + 2 * halo_px)


def blend_spans(labels: Labels, window: Window, levels: int) -> dict[int, Window]:
    """What of each scan in an aligned window the blend takes, by label. `labels` are those of `window`."""
    halo = pyramid.reach_px(levels)
    return {label: label_box(labels, window, label).grown(halo).intersection(window) for label in present(labels)}


def blended(
    layers: tuple[Layer, ...],
    sampled: Sampled,
    encoding: Encoding,
    labels: Labels,
    window: Window,
    levels: int,
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Linear light (h, w, 3) of an aligned canvas window, and which pixels (h, w) the blend changed.

    Right only farther than the pyramid's reach from the window's sides.
    """
    spans = blend_spans(labels, window, levels)
    fine = {label: sampled.read(label, span) for label, span in spans.items()}
    cut = np.zeros((window.height_px, window.width_px, 3), dtype=np.uint16)
    for label in spans:
        inside = spans[label].slices_in(window)
        cv2.copyTo(fine[label], (labels[inside] == label).view(np.uint8), cut[inside])
    base = encoding.decode_codes(cut)
    del cut
    valid = None if labels.all() else labels != 0
    mixture = pyramid.Mixture(Size(window.width_px, window.height_px), _band_boxes(labels, levels), valid)
    for label in spans:
        difference, known = _difference(layers[label - 1], fine.pop(label), spans[label], window, encoding, base, valid)
        mixture.add(difference, known, labels == label)
        del difference
    correction = mixture.collapsed()
    changed = np.asarray(cv2.inRange(correction, (0.0, 0.0, 0.0), (0.0, 0.0, 0.0))) == 0
    base += correction
    return base, changed


def _band_boxes(labels: Labels, levels: int) -> list[Window]:
    """Where each band can differ from zero, counted from the corner of `labels`."""
    whole = Window(0, 0, labels.shape[1], labels.shape[0])
    reaches = [pyramid.band_reach_px(level) for level in range(levels)]
    return [touched_box(labels, whole, reach).intersection(whole) for reach in reaches]


def _difference(
    layer: Layer,
    fine: NDArray[np.uint16],
    span: Window,
    window: Window,
    encoding: Encoding,
    base: NDArray[np.float32],
    valid: NDArray[np.bool_] | None,
) -> tuple[NDArray[np.float32], NDArray[np.bool_] | None]:
    """One scan minus the picture, zero where unknown, and where it is known (None: everywhere)."""
    inside = span.slices_in(window)
    difference = np.zeros_like(base)
    np.subtract(encoding.decode_codes(fine), base[inside], out=difference[inside])
    covered = layer.covers(span)
    if covered is None and valid is None and span == window:
        return difference, None
    known = np.zeros(base.shape[:2], dtype=bool)
    known[inside] = True if covered is None else covered
    if valid is not None:
        known &= valid
    return difference, known


def _around_all(boxes: list[Window]) -> Window:
    if not boxes:
        return Window(0, 0, 0, 0)
    x0, y0 = min(box.x0_px for box in boxes), min(box.y0_px for box in boxes)
    x1, y1 = max(box.x1_px for box in boxes), max(box.y1_px for box in boxes)
    return Window(x0, y0, x1 - x0, y1 - y0)
