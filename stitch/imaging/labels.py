"""From the coarse lattice of labels to the label of every canvas pixel.

All arithmetic is whole-numbered or element by element in float64 from absolute coordinates, so that a pixel gets the
same label whatever window it is asked in. What a scan covers is the frame of its map, a rectangle of straightened px:
that is convex whatever its local correction, and the scan shows all of it.
"""

from __future__ import annotations

from collections.abc import Mapping

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import FloatArray, apply, corners
from stitch.imaging.placed_map import PlacedMap
from stitch.model.geometry import Window
from stitch.model.seams import LabelMap

FEW_LABELS = 4  # looked for one by one; more are counted all at once
INSIDE_SLACK_PX = 1e-6  # rounding allowed when a pixel centre lies on the scan's outermost pixel centres
CORNER_SLACK_PX = 1e-3  # more than any rounding of a corner: a window this far inside is inside everywhere


def labels_at(label_map: LabelMap, placed: Mapping[str, PlacedMap], window: Window) -> NDArray[np.uint8]:
    """The label of every pixel of a canvas window, uint8 (height, width). `placed` : the map of every scan.

    k means scan label_map.scan_ids[k - 1]; 0 means that no scan covers the pixel. The lattice is smoothed and
    interpolated, the strongest label wins, and a pixel that its scan does not cover goes to the scan in which it lies
    deepest. The window may reach beyond the canvas.
    """
    labels = _interpolated(label_map.cells, label_map.cell_px, window)
    maps = [placed[scan_id] for scan_id in label_map.scan_ids]
    pending = labels == 0
    for label in present(labels):
        if not is_inside(maps[label - 1], window):
            pending |= (labels == label) & ~covered(maps[label - 1], window)
    if pending.any():
        _settle(labels, pending, maps, window)
    return labels


def present(labels: NDArray[np.uint8]) -> list[int]:
    """Labels other than 0 that occur, in rising order."""
    low, high = int(labels.min()), int(labels.max())
    if low == high:
        return [low] if low else []
    if high - low < FEW_LABELS:
        return [label for label in range(max(low, 1), high + 1) if (labels == label).any()]
    counts = cv2.calcHist([labels], [0], None, [256], [0.0, 256.0]).ravel()
    return [int(label) for label in np.flatnonzero(counts) if label]


def label_box(labels: NDArray[np.uint8], window: Window, label: int) -> Window:
    """Bounding box on the canvas of one label, which must occur in `labels` of `window`."""
    x, y, width, height = cv2.boundingRect((labels == label).view(np.uint8))
    return Window(window.x0_px + x, window.y0_px + y, width, height)


def _is_apart(placed: PlacedMap, window: Window) -> bool:
    """True when the window surely has no pixel of the scan."""
    local = corners(window.width_px, window.height_px) + np.array([window.x0_px, window.y0_px])
    points = apply(placed.straight_from_canvas, local)
    (left, top), (right, bottom) = points.min(axis=0), points.max(axis=0)
    return bool(right < -1 or bottom < -1 or left > placed.size.width_px or top > placed.size.height_px)


def covered(placed: PlacedMap, window: Window) -> NDArray[np.bool_]:
    """Which pixel centres of a canvas window (height, width) lie inside the frame of a placed scan.

    The frame is convex, so that every row has one run of such pixels; its ends are found from absolute coordinates.
    """
    left, top, right, bottom = placed.frame
    ys = np.arange(window.y0_px, window.y1_px, dtype=np.float64)
    first = np.full(ys.shape, float(window.x0_px))
    last = np.full(ys.shape, float(window.x1_px - 1))
    for (slope, down, shift), low, high in zip(placed.straight_from_canvas, (left, top), (right, bottom), strict=True):
        offset = down * ys + shift
        if slope == 0.0:
            outside = (offset < low - INSIDE_SLACK_PX) | (offset > high + INSIDE_SLACK_PX)
            first[outside] = np.inf
            continue
        ends = ((low - INSIDE_SLACK_PX - offset) / slope, (high + INSIDE_SLACK_PX - offset) / slope)
        first = np.maximum(first, np.minimum(*ends))
        last = np.minimum(last, np.maximum(*ends))
    limits = np.array([window.x0_px - 1.0, window.x1_px + 1.0])
    first = np.ceil(first.clip(*limits)).astype(np.int32)[:, None]
    last = np.floor(last.clip(*limits)).astype(np.int32)[:, None]
    xs = np.arange(window.x0_px, window.x1_px, dtype=np.int32)
    return (xs >= first) & (xs <= last)


def depth_at(placed: PlacedMap, xs: FloatArray, ys: FloatArray) -> FloatArray:
    """Distance of canvas positions to the nearest side of the scan's frame, in scan px; negative outside.

    Without a local correction the sides run through the outermost pixel centres. `xs` and `ys` broadcast together.
    """
    m, (left, top, right, bottom) = placed.straight_from_canvas, placed.frame
    u = m[0, 0] * xs + m[0, 1] * ys + m[0, 2]
    v = m[1, 0] * xs + m[1, 1] * ys + m[1, 2]
    across = np.minimum(u - left, right - u)
    down = np.minimum(v - top, bottom - v)
    return np.minimum(across, down)


def is_inside(placed: PlacedMap, window: Window) -> bool:
    """True when the scan surely covers the whole window (its frame is convex: the corners decide)."""
    xs = np.array([window.x0_px, window.x1_px - 1], dtype=np.float64)
    ys = np.array([window.y0_px, window.y1_px - 1], dtype=np.float64)[:, None]
    return bool(depth_at(placed, xs, ys).min() >= CORNER_SLACK_PX)


def _interpolated(cells: NDArray[np.uint8], cell_px: int, window: Window) -> NDArray[np.uint8]:
    rows, row_weights = _positions(window.y0_px, window.height_px, cell_px)
    columns, column_weights = _positions(window.x0_px, window.width_px, cell_px)
    row_index = np.arange(rows[0] - 1, rows[-1] + 3).clip(0, cells.shape[0] - 1)
    column_index = np.arange(columns[0] - 1, columns[-1] + 3).clip(0, cells.shape[1] - 1)
    near = cells[row_index[:, None], column_index]
    if near.min() == near.max():
        return np.full((window.height_px, window.width_px), near[0, 0], dtype=np.uint8)
    rows, columns = rows - rows[0], columns - columns[0]
    labels = near[1:-2, 1:-2][rows].take(columns, axis=1)
    mixed = _mixed(near)
    y0, y1 = np.searchsorted(rows, [mixed.y0_px, mixed.y1_px])
    x0, x1 = np.searchsorted(columns, [mixed.x0_px, mixed.x1_px])
    vertical = rows[y0:y1], row_weights[y0:y1], np.int32(2 * cell_px)
    horizontal = columns[x0:x1], column_weights[x0:x1], np.int32(2 * cell_px)
    labels[y0:y1, x0:x1] = _strongest(near, vertical, horizontal)
    return labels


def _mixed(near: NDArray[np.uint8]) -> Window:
    """The box of places between four cells whose label is not plain: those 4 × 4 cells are not all the same."""
    square = np.ones((4, 4), np.uint8)
    low, high = cv2.erode(near, square, anchor=(1, 1)), cv2.dilate(near, square, anchor=(1, 1))
    x, y, width, height = cv2.boundingRect((low != high)[1:-2, 1:-2].astype(np.uint8))
    return Window(x, y, width, height)


Axis = tuple[NDArray[np.int64], NDArray[np.int32], np.int32]


def _strongest(near: NDArray[np.uint8], vertical: Axis, horizontal: Axis) -> NDArray[np.uint8]:
    rows, row_weights, span = vertical
    columns, column_weights, _ = horizontal
    labels = np.zeros((len(rows), len(columns)), dtype=np.uint8)
    best = np.zeros(labels.shape, dtype=np.int32)
    for label in present(near):
        strength = _binomial(near == label)
        across = strength[:, columns] * (span - column_weights) + strength[:, columns + 1] * column_weights
        full = across[rows] * (span - row_weights[:, None])
        full += across[rows + 1] * row_weights[:, None]
        np.copyto(labels, np.uint8(label), where=full > best)
        np.maximum(best, full, out=best)
    return labels


def _positions(start_px: int, count: int, cell_px: int) -> tuple[NDArray[np.int64], NDArray[np.int32]]:
    """Cell whose centre is at or before each pixel, and how far on towards the next one, in 1 / (2 cell_px)."""
    twice = 2 * np.arange(start_px, start_px + count, dtype=np.int64) + 1 - cell_px
    cell, weight = np.divmod(twice, 2 * cell_px)
    return cell, weight.astype(np.int32)


def _binomial(mask: NDArray[np.bool_]) -> NDArray[np.int32]:
    """Sums under the kernel 1 2 1 by 1 2 1; two rows and two columns fewer than `mask`."""
    values = mask.astype(np.int32)
    across = values[:, :-2] + 2 * values[:, 1:-1] + values[:, 2:]
    return across[:-2] + 2 * across[1:-1] + across[2:]


def _settle(
    labels: NDArray[np.uint8],
    pending: NDArray[np.bool_],
    maps: list[PlacedMap],
    window: Window,
) -> None:
    """Give each pending pixel to the scan in which it lies deepest, or to none."""
    rows, columns = np.nonzero(pending)
    xs = (columns + window.x0_px).astype(np.float64)
    ys = (rows + window.y0_px).astype(np.float64)
    best = np.full(xs.shape, -INSIDE_SLACK_PX)
    chosen = np.zeros(xs.shape, dtype=np.uint8)
    for index, placed in enumerate(maps):
        if _is_apart(placed, window):
            continue
        depth = depth_at(placed, xs, ys)
        deeper = (depth > best) | ((depth >= best) & (chosen == 0))
        chosen[deeper] = index + 1
        best[deeper] = depth[deeper]
    labels[rows, columns] = chosen
