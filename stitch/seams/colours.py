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

BYTES_PER_PX = 32  # of a band while it is reduced
BAND_SHARE = 0.1  # of the memory budget
LEAST_HALVED = 4  # px of a block: smaller ones are not halved first, so that small specks are not lost
CHUNK_CELLS = 1 << 16  # worked on at once
AROUND = np.ones((3, 3), np.uint8)  # blocks of half a cell: a cell's darkest pixel is looked for in all that touch it
Float32Array = NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class CellColours:
    """Tone-matched colour and detail of a scan on its part of the lattice."""

    lab: Float32Array  # (rows, columns, 3), CIELAB D50 of the mean linear light around the cell's centre
    detail: Float32Array  # (rows, columns), standard deviation of the codes inside the cell, 0..100 for 0..1
    fine: Float32Array  # (2 rows, 2 columns), mean grey code of each quarter of the cells, 0..100
    darkest: Float32Array  # (rows, columns), L* of the darkest pixel in the cell and a little around it
    lightest: Float32Array  # (rows, columns)


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
    planes = np.concatenate(reduced)
    del reduced
    mean, square = planes[..., 3], planes[..., 4]
    to_cells = _Sampler(factor, placed, lattice.cell_px, window)
    variance = np.maximum(to_cells(square) - to_cells(mean) ** 2, 0.0)
    to_quarters = _Sampler(factor, placed, lattice.cell_px / 2, _doubled(window))
    return CellColours(
        _lab(to_cells(planes[..., :3]), encoding),
        100.0 * np.sqrt(variance),
        100.0 * to_quarters(mean),
        _lightness(to_cells(np.asarray(cv2.erode(planes[..., 5], AROUND), np.float32), is_smooth=False), encoding),
        _lightness(to_cells(np.asarray(cv2.dilate(planes[..., 6], AROUND), np.float32), is_smooth=False), encoding),
    )


def _reduced(pixels: NDArray[Any], factor: int, lookup: Float32Array) -> Float32Array:
    """Blocks of factor × factor: mean linear RGB, mean of the grey code 0..1 and of its square, least and most light.

    Shape (h, w, 7), float32.
    """
    height, width = pixels.shape[:2]
    down, right = -height % factor, -width % factor
    if down or right:
        pixels = np.asarray(cv2.copyMakeBorder(pixels, 0, down, 0, right, cv2.BORDER_REPLICATE))
    size = (pixels.shape[1] // factor, pixels.shape[0] // factor)
    if factor >= LEAST_HALVED and factor % 2 == 0:
        half = (pixels.shape[1] // 2, pixels.shape[0] // 2)
        pixels = np.asarray(cv2.resize(pixels, half, interpolation=cv2.INTER_AREA))
        factor //= 2
    light = cv2.LUT(np.ascontiguousarray(pixels), lookup)
    linear = cv2.resize(light, size, interpolation=cv2.INTER_AREA)
    brightness = cv2.cvtColor(light, cv2.COLOR_RGB2GRAY)
    block = np.ones((factor, factor), np.uint8)
    least = cv2.erode(brightness, block, anchor=(0, 0))[::factor, ::factor]
    most = cv2.dilate(brightness, block, anchor=(0, 0))[::factor, ::factor]
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY).astype(np.float32) * np.float32(1.0 / np.iinfo(pixels.dtype).max)
    mean = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    square = cv2.resize(cv2.multiply(grey, grey), size, interpolation=cv2.INTER_AREA)
    return np.dstack([linear.reshape(*mean.shape, 3), mean, square, least, most])


class _Sampler:
    """Takes planes of a scan's blocks to the cells of a window."""

    def __init__(self, factor: int, placed: PlacedMap, cell_px: float, window: Window) -> None:
        reduced_from_scan = invert(_grid(factor, 0, 0))
        canvas_from_cell = _grid(cell_px, window.x0_px, window.y0_px)
        self._size = (window.width_px, window.height_px)
        self._positions: tuple[Float32Array, Float32Array] | None = None
        self._matrix = compose(reduced_from_scan, compose(placed.straight_from_canvas, canvas_from_cell))
        if not placed.is_linear:
            self._positions = _bent_positions(reduced_from_scan, placed, canvas_from_cell, window)

    def __call__(self, plane: Float32Array, *, is_smooth: bool = True) -> Float32Array:
        """The plane at the cells' centres: interpolated, or the nearest block's."""
        how = cv2.INTER_LINEAR if is_smooth else cv2.INTER_NEAREST
        plane = np.ascontiguousarray(plane)
        if self._positions is not None:
            return np.asarray(cv2.remap(plane, *self._positions, how, borderMode=cv2.BORDER_REPLICATE))
        flags = how | cv2.WARP_INVERSE_MAP
        warped = cv2.warpAffine(plane, self._matrix, self._size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(warped)


def _doubled(window: Window) -> Window:
    return Window(2 * window.x0_px, 2 * window.y0_px, 2 * window.width_px, 2 * window.height_px)


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


def _grid(step_px: float, first_column: int, first_row: int) -> FloatArray:
    """The map from block (column, row), counted from the first one, to the pixel at its centre."""
    middle = (step_px - 1) / 2
    return np.array([[step_px, 0.0, first_column * step_px + middle], [0.0, step_px, first_row * step_px + middle]])


def _lightness(light: Float32Array, encoding: Encoding) -> Float32Array:
    return np.ascontiguousarray(_lab(np.dstack([light] * 3), encoding)[..., 0])


def _lab(linear: Float32Array, encoding: Encoding) -> Float32Array:
    flat = linear.reshape(-1, 3)
    found = np.empty_like(flat)
    for start in range(0, len(flat), CHUNK_CELLS):
        found[start : start + CHUNK_CELLS] = encoding.lab_of_linear(flat[start : start + CHUNK_CELLS])
    return found.reshape(linear.shape)
