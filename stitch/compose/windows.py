"""How large a block may be, solved from the memory budget and every array that is alive at once."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from stitch.errors import UsageError
from stitch.imaging.affine import px_from_mm
from stitch.imaging.pyramid import reach_px
from stitch.model.geometry import Size

LUMPS = 1.08  # of what is reckoned: pages come and go in lumps, more so with many scans
BASE_MB = 170  # interpreter and libraries, measured after the first block was made
COARSEST_MM = 1.4  # one sample of the coarsest band, about; tone crosses over within some 2 mm to each side
MIN_LEVELS, MAX_LEVELS = 3, 6
SIDES_PX = (1024, 768, 512, 384, 256, 128, 64)
BYTES_PER_BLENDED_PX = 130  # floats of the picture, one scan's difference, its bands, the running total, weights
BYTES_PER_SOURCE_PX = 18  # while a scan is sampled: as read, tone looked up, low-passed
BYTES_BY_BLOCKS = 12_000_000  # of each thread: positions and doubled grid of one block of `imaging.resample`
BYTES_PER_SCAN_PX = 7  # one scan's 16-bit samples and its share of the labels
MOST_SCANS_AT_A_SPOT = 6
PANEL_FACTOR = 1.5  # source pixels read for one canvas pixel of a band: overlaps, turn, kernel reach
SKEW = 0.02  # rows of source needed beyond the band's own, as a share of its width (turns of about 1°)


@dataclass(frozen=True, slots=True)
class Plan:
    """Band height, block width, number of blocks in flight, and the depth of the blend."""

    band_px: int
    block_px: int
    in_flight: int
    levels: int
    halo_px: int
    peak_mb: int  # what the plan should need at most, interpreter included


def blend_levels(canvas_ppi: float) -> int:
    """Depth of the blend so that its coarsest band is about as coarse on paper at every resolution."""
    return min(MAX_LEVELS, max(MIN_LEVELS, round(math.log2(px_from_mm(COARSEST_MM, canvas_ppi)))))


def solve(
    canvas: Size,
    scan_count: int,
    bits: int,
    memory_mb: int,
    jobs: int,
    *,
    levels: int = MAX_LEVELS,
    panel_bytes: Callable[[int], int] | None = None,
    source_per_canvas: float = 1.0,
    is_by_blocks: bool = False,
) -> Plan:
    """The plan that wastes least work on halos and fits into `memory_mb`.

    Parameters
    ----------
    jobs : threads, at least 1; fewer are used when that is what fits.
    panel_bytes : bytes of scan pixels held for one band of the given height; estimated when not given.
    source_per_canvas : scan pixels under one canvas pixel, above 1 where the master is smaller than the scans.
    is_by_blocks : scans are sampled block by block, finely or through a local correction.

    Raises
    ------
    UsageError
        When no plan fits; the message states the smallest budget that works.
    """
    thread_bytes = BYTES_BY_BLOCKS if is_by_blocks else 0
    plans = [
        _plan(canvas, scan_count, bits, band, block, threads, levels, panel_bytes, source_per_canvas, thread_bytes)
        for band in SIDES_PX
        for block in SIDES_PX
        for threads in range(1, jobs + 1)
    ]
    fitting = [plan for plan in plans if plan.peak_mb <= memory_mb]
    if fitting:
        return max(fitting, key=_worth)
    least = min(plan.peak_mb for plan in plans)
    raise UsageError(
        f"{memory_mb} MB of memory is too little for a master of {canvas.width_px} × {canvas.height_px} pixels.",
        advice=f"The smallest that works is {least} MB: give --memory {least} or more.",
    )


def _worth(plan: Plan) -> tuple[float, int, int]:
    """Threads first, tempered by the share of each block that is not halo."""
    kept = plan.band_px * plan.block_px
    made = (plan.band_px + 2 * plan.halo_px) * (plan.block_px + 2 * plan.halo_px)
    return plan.in_flight * kept / made, plan.band_px, plan.block_px


def _plan(
    canvas: Size,
    scan_count: int,
    bits: int,
    band_px: int,
    block_px: int,
    threads: int,
    levels: int,
    panel_bytes: Callable[[int], int] | None,
    source_per_canvas: float,
    thread_bytes: int,
) -> Plan:
    halo = reach_px(levels)
    band = min(band_px, canvas.height_px)
    block = min(block_px, canvas.width_px)
    finished = 2 * canvas.width_px * band * (3 * bits // 8 + 1)
    panels = 2 * (panel_bytes or _estimate(canvas, bits, halo))(band)
    rim = 2 * halo + 2 * 2**levels
    scans = min(scan_count, MOST_SCANS_AT_A_SPOT)
    per_px = BYTES_PER_BLENDED_PX + BYTES_PER_SCAN_PX * scans + math.ceil(BYTES_PER_SOURCE_PX * source_per_canvas)
    block_bytes = (band + rim) * (block + rim) * per_px
    peak = finished + panels + threads * (block_bytes + thread_bytes)
    return Plan(band_px, block_px, threads, levels, halo, BASE_MB + math.ceil(LUMPS * peak / 1e6))


def _estimate(canvas: Size, bits: int, halo_px: int) -> Callable[[int], int]:
    def panel_bytes(band_px: int) -> int:
        rows = band_px + 2 * halo_px + SKEW * canvas.width_px
        return int(PANEL_FACTOR * canvas.width_px * rows * 3 * bits // 8)

    return panel_bytes
