"""From the coarse lattice of labels to the label of every canvas pixel.

All arithmetic is whole-numbered or element by element in float64 from absolute coordinates, so that a pixel gets the
same label whatever window it is asked in.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import FloatArray, invert
from stitch.model.geometry import Size, Window
from stitch.model.layout import Layout
from stitch.model.seams import LabelMap

INSIDE_SLACK_PX = 1e-6  # rounding allowed when a pixel centre lies on the scan's outermost pixel centres
CORNER_SLACK_PX = 1e-3  # more than any rounding of a corner: a window this far inside is inside everywhere


def labels_at(label_map: LabelMap, layout: Layout, scan_sizes: Mapping[str, Size], window: Window) -> NDArray[np.uint8]:
    """The label of every pixel of a canvas window, uint8 (height, width).

    k means scan label_map.scan_ids[k - 1]; 0 means that no scan covers the pixel. The lattice is smoothed and
    interpolated, the strongest label wins, and a pixel that its scan does not cover goes to the scan in which it lies
    deepest. The window may reach beyond the canvas.
    """
    labels = _interpolated(label_map.cells, label_map.cell_px, window)
    maps = [invert(layout.placement(scan_id).matrix) for scan_id in label_map.scan_ids]
    sizes = [scan_sizes[scan_id] for scan_id in label_map.scan_ids]
    pending = labels == 0
    for label in _present(labels):
        scan_from_canvas, size = maps[label - 1], sizes[label - 1]
        if not is_inside(scan_from_canvas, size, window):
            covered = depth_px(scan_from_canvas, size, window) >= -INSIDE_SLACK_PX
            pending |= (labels == label) & ~covered
    if pending.any():
        _settle(labels, pending, maps, sizes, window)
    return labels


def depth_px(scan_from_canvas: FloatArray, size: Size, window: Window) -> FloatArray:
    """Distance of every pixel of a canvas window to the nearest side of the scan, in scan px; negative outside.

    Sides run through the outermost pixel centres. Shape (height, width).
    """
    xs = np.arange(window.x0_px, window.x1_px, dtype=np.float64)
    ys = np.arange(window.y0_px, window.y1_px, dtype=np.float64)[:, None]
    return depth_at(scan_from_canvas, size, xs, ys)


def depth_at(scan_from_canvas: FloatArray, size: Size, xs: FloatArray, ys: FloatArray) -> FloatArray:
    """`depth_px` at any canvas positions that broadcast together."""
    m = scan_from_canvas
    u = m[0, 0] * xs + m[0, 1] * ys + m[0, 2]
    v = m[1, 0] * xs + m[1, 1] * ys + m[1, 2]
    across = np.minimum(u, (size.width_px - 1) - u)
    down = np.minimum(v, (size.height_px - 1) - v)
    return np.minimum(across, down)


def is_inside(scan_from_canvas: FloatArray, size: Size, window: Window) -> bool:
    """True when the scan surely covers the whole window (a scan is convex: its corners decide)."""
    xs = np.array([window.x0_px, window.x1_px - 1], dtype=np.float64)
    ys = np.array([window.y0_px, window.y1_px - 1], dtype=np.float64)[:, None]
    return bool(depth_at(scan_from_canvas, size, xs, ys).min() >= CORNER_SLACK_PX)


def _present(labels: NDArray[np.uint8]) -> list[int]:
    counts = np.bincount(labels.ravel(), minlength=1)
    return [int(label) for label in np.flatnonzero(counts) if label]


def _interpolated(cells: NDArray[np.uint8], cell_px: int, window: Window) -> NDArray[np.uint8]:
    rows, row_weights = _positions(window.y0_px, window.height_px, cell_px)
    columns, column_weights = _positions(window.x0_px, window.width_px, cell_px)
    row_index = np.arange(rows[0] - 1, rows[-1] + 3).clip(0, cells.shape[0] - 1)
    column_index = np.arange(columns[0] - 1, columns[-1] + 3).clip(0, cells.shape[1] - 1)
    near = cells[row_index[:, None], column_index]
    found = _present(near)
    if len(found) <= 1:
        return np.full((window.height_px, window.width_px), found[0] if found else 0, dtype=np.uint8)
    labels = np.zeros((window.height_px, window.width_px), dtype=np.uint8)
    best = np.zeros(labels.shape, dtype=np.int32)
    span = np.int32(2 * cell_px)
    for label in found:
        strength = _binomial(near == label)
        at = columns - columns[0]
        across = strength[:, at] * (span - column_weights) + strength[:, at + 1] * column_weights
        at = rows - rows[0]
        full = across[at] * (span - row_weights[:, None])
        full += across[at + 1] * row_weights[:, None]
        wins = full > best
        np.copyto(labels, np.uint8(label), where=wins)
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
    maps: list[FloatArray],
    sizes: list[Size],
    window: Window,
) -> None:
    """Give each pending pixel to the scan in which it lies deepest, or to none."""
    rows, columns = np.nonzero(pending)
    xs = (columns + window.x0_px).astype(np.float64)
    ys = (rows + window.y0_px).astype(np.float64)
    best = np.full(xs.shape, -INSIDE_SLACK_PX)
    chosen = np.zeros(xs.shape, dtype=np.uint8)
    for index, (scan_from_canvas, size) in enumerate(zip(maps, sizes, strict=True)):
        depth = depth_at(scan_from_canvas, size, xs, ys)
        deeper = (depth > best) | ((depth >= best) & (chosen == 0))
        chosen[deeper] = index + 1
        best[deeper] = depth[deeper]
    labels[rows, columns] = chosen
