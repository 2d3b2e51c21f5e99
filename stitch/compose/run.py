"""The canvas, composed band by band and handed on in order."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitch.compose.block import Canvas, fill_block, panel_windows
from stitch.compose.layers import make_layers
from stitch.compose.panels import Panel, extended_panel
from stitch.compose.windows import Plan, blend_levels, solve
from stitch.imaging.affine import scale_of
from stitch.imaging.colour import Encoding
from stitch.imaging.windows import bands, blocks
from stitch.model.geometry import Window
from stitch.model.layout import Layout
from stitch.model.scans import PixelSource
from stitch.model.seams import LabelMap
from stitch.model.settings import Resample
from stitch.progress import SILENT, Progress, Task

WriteRows = Callable[[NDArray[Any], NDArray[np.uint8]], None]


@dataclass(slots=True, eq=False)
class Band:
    """One band under way."""

    window: Window
    pixels: NDArray[Any]
    labels: NDArray[np.uint8]
    work: list[Future[None]] = field(default_factory=list)


def compose(
    sources: Mapping[str, PixelSource],
    layout: Layout,
    tables: Mapping[str, NDArray[np.float32] | None],
    encoding: Encoding,
    label_map: LabelMap,
    *,
    bits: int,
    memory_mb: int,
    jobs: int,
    uncovered_code: tuple[int, int, int],
    write_rows: WriteRows,
    how: Resample = Resample.USUAL,
    progress: Progress = SILENT,
    plan: Plan | None = None,
) -> None:
    """Make the canvas and hand it on in bands of full-width rows, top to bottom.

    Parameters
    ----------
    tables : for every scan the encoded value 0..1 of each code, float32 (2**bits, 3), or None to keep its codes.
    jobs : threads; 0 means as many as there are cores.
    uncovered_code : RGB code where no scan covers the canvas (label 0).
    write_rows : called with pixels (n, width, 3), uint8 or uint16, and labels (n, width), uint8; new arrays each time.
    how : the way pixels between those of a scan are made.
    plan : sizes of the windows; solved from `memory_mb` when not given.

    Raises UsageError when `memory_mb` is too little; whatever a source or `write_rows` raises passes through.
    """
    levels = plan.levels if plan else blend_levels(layout.canvas_ppi)
    layers = make_layers(sources, layout, tables, label_map.scan_ids, bits, how)
    canvas = Canvas(layers, layout, encoding, label_map, bits, uncovered_code, levels)
    threads = jobs or os.cpu_count() or 1
    plan = plan or solve(
        layout.canvas,
        len(layers),
        bits,
        memory_mb,
        threads,
        levels=levels,
        panel_bytes=cache(lambda height: _panel_bytes(canvas, height)),
        source_per_canvas=max(1.0 / scale_of(layer.placed.canvas_from_straight) ** 2 for layer in layers),
        is_by_blocks=how is Resample.FINE or any(not layer.placed.is_linear for layer in layers),
    )
    with progress.task("Composing", layout.canvas.megapixels) as task:
        _run(canvas, plan, write_rows, task)


def _run(canvas: Canvas, plan: Plan, write_rows: WriteRows, task: Task) -> None:
    windows = list(bands(canvas.layout.canvas, plan.band_px))
    pool = ThreadPoolExecutor(plan.in_flight, thread_name_prefix="compose")
    try:
        loading = _load(pool, canvas, windows[0], {})
        waiting: Band | None = None
        for number, window in enumerate(windows, start=1):
            panels = {label: future.result() for label, future in loading.items()}
            band = _begin(pool, canvas, plan, window, panels)
            if waiting is not None:
                _finish(waiting, write_rows, task)
            loading = _load(pool, canvas, windows[number], panels) if number < len(windows) else {}
            waiting = band
        if waiting is not None:
            _finish(waiting, write_rows, task)
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _load(
    pool: ThreadPoolExecutor, canvas: Canvas, band: Window, previous: Mapping[int, Panel | None]
) -> dict[int, Future[Panel | None]]:
    wanted = panel_windows(canvas, band)
    return {
        label: pool.submit(extended_panel, canvas.layers[label - 1].source, window, previous.get(label))
        for label, window in wanted.items()
    }


def _begin(
    pool: ThreadPoolExecutor, canvas: Canvas, plan: Plan, window: Window, panels: Mapping[int, Panel | None]
) -> Band:
    dtype = np.uint8 if canvas.bits == 8 else np.uint16
    shape = (window.height_px, window.width_px)
    band = Band(window, np.empty((*shape, 3), dtype=dtype), np.empty(shape, dtype=np.uint8))
    band.work = [
        pool.submit(fill_block, canvas, panels, block, band.pixels[place], band.labels[place])
        for block in blocks(window, plan.block_px, plan.band_px)
        for place in [block.slices_in(window)]
    ]
    return band


def _finish(band: Band, write_rows: WriteRows, task: Task) -> None:
    """Wait for a band, and hand it on; the next is under way meanwhile."""
    for work in band.work:
        work.result()
    band.work.clear()  # and with it the panels that it was made of
    write_rows(band.pixels, band.labels)
    task.advance(band.labels.size / 1e6)


def _panel_bytes(canvas: Canvas, height_px: int) -> int:
    """Most bytes of scan pixels that any band of this height holds."""
    worst = 0
    for band in bands(canvas.layout.canvas, height_px):
        windows = panel_windows(canvas, band).values()
        worst = max(worst, sum(w.width_px * w.height_px for w in windows))
    return worst * 3 * canvas.bits // 8
