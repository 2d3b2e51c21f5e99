"""One scan by itself on the whole canvas, made as the master makes it: the same panels, the same samples."""

from __future__ import annotations

import math
import os
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitch.compose.layers import Layer, coarse_codes
from stitch.compose.panels import Panel, extended_panel
from stitch.compose.windows import BASE_MB, BYTES_BY_BLOCKS, BYTES_PER_SCAN_PX, BYTES_PER_SOURCE_PX, SIDES_PX
from stitch.errors import UsageError
from stitch.imaging.affine import scale_of
from stitch.imaging.windows import bands, blocks
from stitch.model.geometry import Size, Window
from stitch.model.settings import Resample
from stitch.progress import Task

BLOCK_PX = 1024  # across; a band is cut into blocks of this width
CHANNELS = 4


@dataclass(frozen=True, slots=True)
class Strip:
    """How many rows are made at once, by how many threads."""

    band_px: int
    threads: int
    peak_mb: float  # interpreter included


def strip_for(layer: Layer, canvas: Size, bits: int, memory_mb: int, jobs: int) -> Strip:
    """The largest strip that fits the budget. Raises UsageError when none does."""
    strips = [one for band in SIDES_PX for one in _strips(layer, canvas, bits, band, jobs)]
    fitting = [one for one in strips if one.peak_mb <= memory_mb]
    if not fitting:
        least = math.ceil(min(one.peak_mb for one in strips))
        raise UsageError(
            f"{memory_mb} MB of memory is too little for layers of {canvas.width_px} × {canvas.height_px} pixels.",
            advice=f"The smallest that works is {least} MB: give --memory {least} or more.",
        )
    return max(fitting, key=lambda one: (one.threads, one.band_px))


def lay_alone(
    layer: Layer,
    canvas: Size,
    *,
    bits: int,
    memory_mb: int,
    jobs: int,
    uncovered_code: tuple[int, int, int],
    write_rows: Callable[[NDArray[Any]], None],
    task: Task,
) -> None:
    """Make one scan's layer and hand it on in bands of full-width rows, top to bottom.

    Parameters
    ----------
    jobs : threads; 0 means as many as there are cores.
    uncovered_code : RGB code where the scan does not cover the canvas.
    write_rows : called with (n, width, 4), uint8 or uint16: RGB as in the master before any blend, and the largest code
        where the scan covers the canvas, else 0. New arrays each time.

    Advances `task` by megapixels. Raises UsageError when `memory_mb` is too little.
    """
    strip = strip_for(layer, canvas, bits, memory_mb, jobs or os.cpu_count() or 1)
    dtype = np.uint8 if bits == 8 else np.uint16
    empty = np.array([*uncovered_code, 0], dtype)
    panel: Panel | None = None
    with ThreadPoolExecutor(strip.threads, thread_name_prefix="layer") as pool:
        for band in bands(canvas, strip.band_px):
            needed = layer.needs(band)
            panel = extended_panel(layer.source, needed, panel)
            rows = np.empty((band.height_px, band.width_px, CHANNELS), dtype)
            if panel is None:
                rows[...] = empty
            else:
                _fill(pool, layer, panel, band, rows, empty)
            write_rows(rows)
            task.advance(band.width_px * band.height_px / 1e6)


def _fill(
    pool: ThreadPoolExecutor, layer: Layer, panel: Panel, band: Window, rows: NDArray[Any], empty: NDArray[Any]
) -> None:
    work: list[Future[None]] = [
        pool.submit(_fill_block, layer, panel, block, rows[block.slices_in(band)], empty)
        for block in blocks(band, BLOCK_PX, band.height_px)
    ]
    for one in work:
        one.result()


def _fill_block(layer: Layer, panel: Panel, block: Window, rows: NDArray[Any], empty: NDArray[Any]) -> None:
    rows[..., :3] = coarse_codes(layer.sampled(block, panel), rows.dtype.itemsize * 8)
    rows[..., 3] = np.iinfo(rows.dtype).max
    covers = layer.covers(block)
    if covers is not None:
        rows[~covers] = empty


def _strips(layer: Layer, canvas: Size, bits: int, band_px: int, jobs: int) -> list[Strip]:
    """Strips of one height, with every number of threads."""
    band = min(band_px, canvas.height_px)
    windows = [layer.needs(window) for window in bands(canvas, band)]
    panels = 2 * 3 * bits // 8 * max(window.width_px * window.height_px for window in windows)  # the last one, the next
    rows = 2 * CHANNELS * bits // 8 * band * canvas.width_px
    per_canvas = max(1.0, 1.0 / scale_of(layer.placed.canvas_from_straight) ** 2)
    block = band * min(BLOCK_PX, canvas.width_px) * (BYTES_PER_SCAN_PX + BYTES_PER_SOURCE_PX * per_canvas + 1)
    is_by_blocks = layer.how is Resample.FINE or not layer.placed.is_linear
    each = block + (BYTES_BY_BLOCKS if is_by_blocks else 0)
    return [Strip(band, threads, BASE_MB + (panels + rows + threads * each) / 1e6) for threads in range(1, jobs + 1)]
