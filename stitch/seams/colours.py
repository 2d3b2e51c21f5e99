"""What every scan looks like, cell by cell, made in one pass over its pixels."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import FloatArray, apply, compose, invert
from stitch.imaging.colour import Encoding
from stitch.imaging.placed_map import PlacedMap
from stitch.imaging.windows import bands
from stitch.model.geometry import Window
from stitch.model.scans import PixelSource
from stitch.progress import Task
from stitch.seams.lattice import Lattice

BYTES_PER_PX = 24  # of a band while it is reduced
BAND_SHARE = 0.1  # of the memory budget
CHUNK_CELLS = 1 << 16  # worked on at once
Float32Array = NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class CellColours:
    """Tone-matched colour and detail of a scan on its part of the lattice."""

    lab: Float32Array  # (rows, columns, 3), CIELAB D50 of the mean linear light around the cell's centre
    detail: Float32Array  # (rows, columns), standard deviation of the codes inside the cell, 0..100 for 0..1


def cell_colours(
    source: PixelSource,
    placed: PlacedMap,
    table: NDArray[np.float32] | None,
    encoding: Encoding,
    lattice: Lattice,
    window: Window,
    *,
    bits: int,
    memory_mb: float,
    task: Task,
) -> CellColours:
    """Reduce one scan to the cells of `window`, reading it once from top to bottom. Advances `task` by megapixels."""
    factor = max(1, lattice.cell_px // 2)
    linear = encoding.decode_table(bits) if table is None else encoding.decode(table)
    lookup = np.ascontiguousarray(linear, dtype=np.float32).reshape(1, -1, 3)
    rows = int(BAND_SHARE * memory_mb * 1e6 / (source.size.width_px * BYTES_PER_PX))
    rows = max(1, rows // factor) * factor
    reduced = []
    for band in bands(source.size, rows):
        reduced.append(_reduced(source.read(band), factor, lookup))
        task.advance(band.width_px * band.height_px / 1e6)
    cells = _on_cells(np.concatenate(reduced), factor, placed, lattice, window)
    variance = np.maximum(cells[..., 4] - cells[..., 3] ** 2, 0.0)
    return CellColours(_lab(cells[..., :3], encoding), 100.0 * np.sqrt(variance))


def _reduced(pixels: NDArray[Any], factor: int, lookup: Float32Array) -> Float32Array:
    """Means over blocks of factor × factor: linear RGB, grey code 0..1, and its square. Shape (h, w, 5), float32."""
    height, width = pixels.shape[:2]
    down, right = -height % factor, -width % factor
    if down or right:
        pixels = np.asarray(cv2.copyMakeBorder(pixels, 0, down, 0, right, cv2.BORDER_REPLICATE))
    size = (pixels.shape[1] // factor, pixels.shape[0] // factor)
    if factor % 2 == 0:
        half = (pixels.shape[1] // 2, pixels.shape[0] // 2)
        pixels = np.asarray(cv2.resize(pixels, half, interpolation=cv2.INTER_AREA))
    linear = cv2.resize(cv2.LUT(np.ascontiguousarray(pixels), lookup), size, interpolation=cv2.INTER_AREA)
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY).astype(np.float32) * np.float32(1.0 / np.iinfo(pixels.dtype).max)
    mean = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    square = cv2.resize(cv2.multiply(grey, grey), size, interpolation=cv2.INTER_AREA)
    return np.dstack([linear.reshape(*mean.shape, 3), mean, square])


def _on_cells(reduced: Float32Array, factor: int, placed: PlacedMap, lattice: Lattice, window: Window) -> Float32Array:
    reduced_from_scan = invert(_grid(factor, 0, 0))
    canvas_from_cell = _grid(lattice.cell_px, window.x0_px, window.y0_px)
    planes = [np.ascontiguousarray(some) for some in (reduced[..., :3], reduced[..., 3], reduced[..., 4])]
    size = (window.width_px, window.height_px)
    if placed.is_linear:
        reduced_from_cell = compose(reduced_from_scan, compose(placed.straight_from_canvas, canvas_from_cell))
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        parts = [
            cv2.warpAffine(one, reduced_from_cell, size, flags=flags, borderMode=cv2.BORDER_REPLICATE) for one in planes
        ]
    else:
        x, y = _bent_positions(reduced_from_scan, placed, canvas_from_cell, window)
        parts = [cv2.remap(one, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE) for one in planes]
    return np.dstack(parts)


def _bent_positions(
    reduced_from_scan: FloatArray, placed: PlacedMap, canvas_from_cell: FloatArray, window: Window
) -> tuple[Float32Array, Float32Array]:
    """Where each cell's centre lies in the reduced scan, (rows, columns) each, some rows at a time."""
    x, y = (np.empty((window.height_px, window.width_px), np.float32) for _ in range(2))
    columns = np.arange(window.width_px, dtype=np.float64)
    step = max(1, CHUNK_CELLS // window.width_px)
    for top in range(0, window.height_px, step):
        rows = np.arange(top, min(top + step, window.height_px), dtype=np.float64)
        cells = np.stack(np.meshgrid(columns, rows), axis=-1).reshape(-1, 2)
        there = apply(reduced_from_scan, placed.scan_from_canvas(apply(canvas_from_cell, cells)))
        for axis, positions in enumerate((x, y)):
            positions[top : top + len(rows)] = there[:, axis].reshape(len(rows), -1)
    return x, y


def _grid(step_px: int, first_column: int, first_row: int) -> FloatArray:
    """The map from block (column, row), counted from the first one, to the pixel at its centre."""
    middle = (step_px - 1) / 2
    return np.array([[step_px, 0.0, first_column * step_px + middle], [0.0, step_px, first_row * step_px + middle]])


def _lab(linear: Float32Array, encoding: Encoding) -> Float32Array:
    flat = linear.reshape(-1, 3)
    found = np.empty_like(flat)
    for start in range(0, len(flat), CHUNK_CELLS):
        found[start : start + CHUNK_CELLS] = encoding.lab_of_linear(flat[start : start + CHUNK_CELLS])
    return found.reshape(linear.shape)
