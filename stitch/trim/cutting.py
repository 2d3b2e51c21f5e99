"""The pixels of a cut, band by band: copied where whole pixels do, else made once through the whole map."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import corners as grid_corners
from stitch.imaging.projective import FloatArray, project
from stitch.imaging.resample import FINE_BLOCK_PX, KERNEL_REACH_PX, sample_at
from stitch.imaging.windows import bands, blocks
from stitch.model.geometry import Window
from stitch.model.scans import PixelSource
from stitch.model.settings import Resample
from stitch.trim.square import Cut

REACH_PX = KERNEL_REACH_PX + 6  # the finer kernel's, too


def cut_bands(
    source: PixelSource, cut: Cut, rows_px: int, how: Resample, pool: ThreadPoolExecutor
) -> Iterator[tuple[Window, NDArray[Any]]]:
    """Bands of at most `rows_px` full rows of the new picture and their codes, in the source's dtype."""
    for band in bands(cut.size, rows_px):
        around = _around(cut, band, source)
        pixels = source.read(around)
        if cut.is_whole:
            yield band, pixels
            continue
        made = np.empty((band.height_px, band.width_px, 3), pixels.dtype)

        def one(block: Window, pixels: NDArray[Any] = pixels, around: Window = around) -> NDArray[Any]:
            x, y = positions(cut.picture_from_cut, block)
            return sample_at(pixels, around, x, y, how)

        parts = list(blocks(band, FINE_BLOCK_PX, FINE_BLOCK_PX))
        for block, part in zip(parts, pool.map(one, parts), strict=True):
            made[block.slices_in(band)] = part
        yield band, made


def rows_read(cut: Cut, rows_px: int) -> int:
    """Most rows of the picture that a band of `rows_px` needs."""
    band = Window(0, 0, cut.size.width_px, min(rows_px, cut.size.height_px))
    reached = project(cut.picture_from_cut, _outer(band))
    return int(np.ptp(reached[:, 1])) + 2 * REACH_PX + 2


def positions(picture_from_cut: FloatArray, block: Window) -> tuple[FloatArray, FloatArray]:
    """Picture px of every pixel centre of a block of the cut: x and y, (h, w) each, float64."""
    xs = np.arange(block.x0_px, block.x1_px, dtype=np.float64)
    ys = np.arange(block.y0_px, block.y1_px, dtype=np.float64)[:, None]
    x, y, w = (row[0] * xs + row[1] * ys + row[2] for row in picture_from_cut)
    x /= w
    y /= w
    return x, y


def _around(cut: Cut, band: Window, source: PixelSource) -> Window:
    reached = project(cut.picture_from_cut, _outer(band))
    if cut.is_whole:
        x0, y0 = (round(float(v) + 0.5) for v in reached.min(axis=0))
        return Window(x0, y0, band.width_px, band.height_px)
    low = np.floor(reached.min(axis=0)).astype(int) - REACH_PX
    high = np.ceil(reached.max(axis=0)).astype(int) + REACH_PX + 1
    return Window(int(low[0]), int(low[1]), int(high[0] - low[0]), int(high[1] - low[1])).clipped(source.size)


def _outer(band: Window) -> FloatArray:
    return grid_corners(band.width_px, band.height_px) + np.array([band.x0_px, band.y0_px])
