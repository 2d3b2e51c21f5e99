"""Mean linear light of the same cells in two scans."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging.colour import Encoding
from stitch.imaging.placed_map import PlacedMap
from stitch.imaging.resample import sample, source_window
from stitch.model.geometry import Window
from stitch.model.scans import PixelSource
from stitch.tone.cells import CellGrid

MOST_CLIPPED_FRACTION = 0.1  # of a cell's pixels; such pixels are left out, and beyond this the cell is
HELDOUT_EVERY = 3  # one cell in so many is kept apart from the fit

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class PairSamples:
    """Cells of one overlap: mean linear RGB in each scan, (n, 3) float64; cells with `is_heldout` are never fitted.

    `at_a_px`, `at_b_px` : the cells' middles in px of each scan, (n, 2).
    """

    scan_a: str
    scan_b: str
    area_px: float
    linear_a: FloatArray
    linear_b: FloatArray
    is_heldout: NDArray[np.bool_]
    at_a_px: FloatArray
    at_b_px: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class PlacedSource:
    """A scan's pixels and its place."""

    scan_id: str
    source: PixelSource
    placed: PlacedMap


def sample_pair(
    a: PlacedSource, b: PlacedSource, grid: CellGrid, encoding: Encoding, bits: int, share: float = 1.0
) -> PairSamples:
    """Average the usable cells of some rows of `grid` in both scans, clipped pixels left out of both.

    `share` : of the rows that a match takes.
    """
    found: list[tuple[FloatArray, FloatArray, NDArray[np.bool_], FloatArray]] = []
    for row in grid.rows_to_read(share):
        window, columns = grid.window(row)
        pixels = [_on_canvas(scan, window) for scan in (a, b)]
        fine = _is_unclipped(pixels[0], bits) & _is_unclipped(pixels[1], bits)
        fraction = _cell_means(fine.astype(np.float32), grid.cell_px)
        means = [_cell_means(encoding.decode_codes(p) * fine[..., None], grid.cell_px) for p in pixels]
        keep = grid.is_usable[row, columns] & (fraction >= 1.0 - MOST_CLIPPED_FRACTION)
        unclipped = fraction[keep, None].astype(np.float64)
        heldout = (row + columns[keep]) % HELDOUT_EVERY == 0
        found.append(
            (means[0][keep] / unclipped, means[1][keep] / unclipped, heldout, grid.middles(row, columns[keep]))
        )
    nothing = (np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0, dtype=bool), np.zeros((0, 2)))
    linear_a, linear_b, is_heldout, middles = (np.concatenate(parts) for parts in zip(nothing, *found, strict=True))
    area = float(grid.is_usable.sum()) * grid.cell_px**2
    places = (side.placed.scan_from_canvas(middles) for side in (a, b))
    return PairSamples(a.scan_id, b.scan_id, area, linear_a, linear_b, is_heldout, *places)


def _on_canvas(scan: PlacedSource, window: Window) -> NDArray[Any]:
    source = source_window(scan.placed, window, scan.source.size)
    return sample(scan.source.read(source), source, scan.placed, window)


def _is_unclipped(pixels: NDArray[Any], bits: int) -> NDArray[np.bool_]:
    """Pixels neither at nor beside a code at either end of the scale (resampling spreads them by a pixel)."""
    between = cv2.inRange(np.ascontiguousarray(pixels), (1, 1, 1), (2**bits - 2,) * 3)
    return np.asarray(cv2.erode(between, np.ones((3, 3), np.uint8)) > 0)


def _cell_means(row: NDArray[np.float32], cell_px: int) -> NDArray[np.float32]:
    size = (row.shape[1] // cell_px, 1)
    return np.asarray(cv2.resize(np.ascontiguousarray(row), size, interpolation=cv2.INTER_AREA))[0]
