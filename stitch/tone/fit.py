"""The tone match of all scans: sample every overlap, solve once, keep what is already right untouched."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from stitch.errors import UsageError
from stitch.imaging.affine import FloatArray, apply, corners, nearest_turn_deg
from stitch.imaging.colour import Encoding, mean_delta_e_2000
from stitch.imaging.placed_map import PlacedMap
from stitch.model.layout import Layout
from stitch.model.scans import PixelSource
from stitch.model.tone import LightField, PairTone, ScanTone, ToneFit
from stitch.progress import SILENT, Progress
from stitch.tone.cells import common_cells
from stitch.tone.even import even_out
from stitch.tone.evened import evened
from stitch.tone.samples import PairSamples, PlacedSource, sample_pair
from stitch.tone.solve import ChannelFit, ChannelPair, lightness, lightness_slope, residuals, solve_channel
from stitch.tone.white import scale_for_white

FEWEST_CELLS = 6  # an overlap with fewer says nothing
JOINED_SHARE = 0.8  # of the most overlap; scans below it are not taken as the reference
SAME_BRIGHTNESS = 0.01  # log gain; scans are as bright as each other within it
SURE_SIGMAS = 3.0  # a gain nearer to 1 than this many standard deviations is 1
LARGEST_SNAP = 0.003  # log gain; a larger one is never taken for 1, however unsure
OFFSET_SIGMAS = 4.0
SMALLEST_OFFSET = 2e-4  # linear light; less cannot be seen
OFFSET_RANGE_L = 12.0  # L* between the 5th and 95th percentile that an offset needs as evidence
OFFSET_WHITE_L = 1.0  # L*; how unsure white may be, a standard deviation, once gain and offset are told apart
OFFSET_GAIN_FRACTION = 0.05  # an offset must lower the held-out differences by at least this share


def fit(
    sources: Mapping[str, PixelSource],
    layout: Layout,
    encoding: Encoding,
    *,
    bits: int,
    reference_id: str | None = None,
    painting_px: FloatArray | None = None,
    progress: Progress = SILENT,
) -> ToneFit:
    """Match the tone of all placed scans to that of the reference scan.

    `painting_px` : corners of the painting on the canvas, (4, 2), where its edges are certain; then the whites kept
    below the top are those of the painting, not of the lid.

    Gains and offsets act in linear light. An offset is given only where the overlaps hold dark and light tones and it
    lowers held-out differences; places within a scan are evened out (`unevenness`) where that lowers them clearly;
    a scan whose gains do not differ from 1 by more than their uncertainty keeps exactly 1.
    `common_scale` is below 1 when a gain would have pushed white past the top. ΔE2000 before and after is
    measured on cells that the fit did not use.

    Raises UsageError when `reference_id` names no placed scan.
    """
    ids = [placement.scan_id for placement in layout.placements]
    if reference_id is not None and reference_id not in ids:
        raise UsageError(
            f"There is no scan named “{reference_id}” to take the tone from.",
            advice=f"Name one of: {', '.join(sorted(ids))}.",
        )
    placed = [
        PlacedSource(p.scan_id, sources[p.scan_id], PlacedMap.of(p, sources[p.scan_id].size)) for p in layout.placements
    ]
    pairs = _sample_all(placed, layout, encoding, bits, progress)
    chosen = reference_id if reference_id is not None else _chosen(pairs, placed, layout, ids)
    reference = ids.index(chosen)
    gains, offsets = _solve(pairs, ids, reference)
    even = even_out(pairs, placed, ids, reference, gains, offsets, layout.canvas_ppi, _solve)
    seen = pairs if even is None else even.pairs
    if even is not None:
        gains, offsets = even.gains, even.offsets
    fields = {} if even is None else even.fields
    tones = tuple(_scan_tone(name, gains[k], offsets[k], fields.get(name)) for k, name in enumerate(ids))
    lit = [replace(scan, source=evened(scan.source, fields.get(scan.scan_id), encoding)) for scan in placed]
    scale = _common_scale(lit, tones, encoding, bits, painting_px, progress)
    measured = tuple(
        _pair_tone(before, after, gains, offsets, ids, encoding) for before, after in zip(pairs, seen, strict=True)
    )
    return ToneFit(chosen, tones, measured, scale, f"linear light of {encoding.name}", even.told if even else None)


def _sample_all(
    placed: list[PlacedSource], layout: Layout, encoding: Encoding, bits: int, progress: Progress
) -> list[PairSamples]:
    pairs = []
    todo = list(combinations(placed, 2))
    with progress.task("Comparing tones", len(todo)) as task:
        for a, b in todo:
            grid = common_cells(a.placed, b.placed, layout.canvas, layout.canvas_ppi)
            if grid.is_usable.sum() >= FEWEST_CELLS:
                samples = sample_pair(a, b, grid, encoding, bits)
                if (~samples.is_heldout).sum() >= FEWEST_CELLS and samples.is_heldout.any():
                    pairs.append(samples)
            task.advance()
    return pairs


def _chosen(pairs: list[PairSamples], placed: list[PlacedSource], layout: Layout, ids: list[str]) -> str:
    """The reference: among the scans with the most overlap the one to which the others need least raising.

    Only scans that lie as most do are asked, so that the master is lit as its reference is.
    Raising a scan could push its white past the top, and then the whole would have to be darkened; lowering one loses
    nothing. Among scans alike in that the one with the most overlap, then the one nearest the middle.
    """
    area = {scan.scan_id: 0.0 for scan in placed}
    for pair in pairs:
        area[pair.scan_a] += pair.area_px
        area[pair.scan_b] += pair.area_px
    usual = [scan for scan in placed if nearest_turn_deg(scan.placed.canvas_from_straight) == layout.up_deg]
    placed = usual or placed
    most = max(area[scan.scan_id] for scan in placed)
    raised = _most_raised(pairs, ids)

    def rank(scan: PlacedSource) -> tuple[int, int, float, str]:
        share = round(20 * area[scan.scan_id] / most) if most else 0
        size = scan.source.size
        centre = apply(scan.placed.canvas_from_straight, corners(size.width_px, size.height_px)).mean(axis=0)
        middle = np.array([layout.canvas.width_px, layout.canvas.height_px]) / 2
        return raised[scan.scan_id], -share, round(float(np.hypot(*(centre - middle))), 3), scan.scan_id

    candidates = [scan for scan in placed if area[scan.scan_id] >= JOINED_SHARE * most]
    return min(candidates, key=rank).scan_id


def _most_raised(pairs: list[PairSamples], ids: list[str]) -> dict[str, int]:
    """For every scan as reference, the largest gain any other would need, in whole steps of log gain."""
    none = np.zeros(len(ids), dtype=bool)
    fits = [
        solve_channel(
            [_channel_pair(pair, ids, channel, ~pair.is_heldout) for pair in pairs],
            len(ids),
            reference=0,
            has_offset=none,
        ).log_gain
        for channel in range(3)
    ]
    log_gain = np.stack(fits, axis=1)
    return {name: int(np.rint((log_gain - log_gain[k]).max() / SAME_BRIGHTNESS)) for k, name in enumerate(ids)}


def _solve(pairs: list[PairSamples], ids: list[str], reference: int) -> tuple[FloatArray, FloatArray]:
    """Gains and offsets, each (scan_count, 3)."""
    fits = [_solve_channel(pairs, ids, reference, channel) for channel in range(3)]
    log_gain = np.stack([f.log_gain for f in fits], axis=1)
    offset = np.stack([f.offset for f in fits], axis=1)
    sigma = np.stack([f.sigma_log_gain for f in fits], axis=1)
    is_one = (np.abs(log_gain) <= np.minimum(SURE_SIGMAS * sigma, LARGEST_SNAP)).all(axis=1)
    is_one &= (offset == 0.0).all(axis=1)
    log_gain[is_one] = 0.0
    return np.exp(log_gain), offset


def _solve_channel(pairs: list[PairSamples], ids: list[str], reference: int, channel: int) -> ChannelFit:
    fitted = [_channel_pair(pair, ids, channel, ~pair.is_heldout) for pair in pairs]
    heldout = [_channel_pair(pair, ids, channel, pair.is_heldout) for pair in pairs]
    none = np.zeros(len(ids), dtype=bool)
    plain = solve_channel(fitted, len(ids), reference=reference, has_offset=none)
    ranged = _with_range(fitted, len(ids))
    trial = solve_channel(fitted, len(ids), reference=reference, has_offset=ranged)
    sure = np.abs(trial.offset) > np.maximum(OFFSET_SIGMAS * trial.sigma_offset, SMALLEST_OFFSET)
    sure &= ranged & (trial.sigma_log_gain * lightness_slope(np.array(1.0)) < OFFSET_WHITE_L)
    if not sure.any():
        return plain
    better = solve_channel(fitted, len(ids), reference=reference, has_offset=sure)
    is_worth = _difference(heldout, better) < (1 - OFFSET_GAIN_FRACTION) * _difference(heldout, plain)
    return better if is_worth else plain


def _channel_pair(pair: PairSamples, ids: list[str], channel: int, which: NDArray[np.bool_]) -> ChannelPair:
    a, b = ids.index(pair.scan_a), ids.index(pair.scan_b)
    return ChannelPair(a, b, pair.linear_a[which, channel], pair.linear_b[which, channel])


def _with_range(pairs: list[ChannelPair], scan_count: int) -> NDArray[np.bool_]:
    """Scans whose overlaps hold dark and light tones."""
    found = np.zeros(scan_count, dtype=bool)
    for scan in range(scan_count):
        lights = [p.light_a if p.a == scan else p.light_b for p in pairs if scan in (p.a, p.b)]
        if lights:
            low, high = np.percentile(lightness(np.concatenate(lights)), [5, 95])
            found[scan] = high - low >= OFFSET_RANGE_L
    return found


def _difference(pairs: list[ChannelPair], found: ChannelFit) -> float:
    return float(np.mean([np.median(np.abs(residuals(p, found.log_gain, found.offset))) for p in pairs]))


def _scan_tone(scan_id: str, gain: FloatArray, offset: FloatArray, field: LightField | None) -> ScanTone:
    r, g, b = (float(v) for v in gain)
    low_r, low_g, low_b = (float(v) for v in offset)
    return ScanTone(scan_id, (r, g, b), (low_r, low_g, low_b), field)


def _common_scale(
    placed: list[PlacedSource],
    tones: tuple[ScanTone, ...],
    encoding: Encoding,
    bits: int,
    painting_px: FloatArray | None,
    progress: Progress,
) -> float:
    scale = 1.0
    with progress.task("Looking for white", len(placed)) as task:
        for scan, tone in zip(placed, tones, strict=True):
            here = None if painting_px is None else scan.placed.scan_from_canvas(painting_px)
            scale = min(scale, scale_for_white(scan.source, tone, encoding, bits, here))
            task.advance()
    return scale


def _pair_tone(
    before: PairSamples,
    after: PairSamples,
    gains: FloatArray,
    offsets: FloatArray,
    ids: list[str],
    encoding: Encoding,
) -> PairTone:
    """`after` : the same samples with their light evened out."""
    a, b = ids.index(before.scan_a), ids.index(before.scan_b)
    held = before.is_heldout
    raw = mean_delta_e_2000(
        encoding.lab_of_linear(before.linear_a[held]), encoding.lab_of_linear(before.linear_b[held])
    )
    matched = mean_delta_e_2000(
        encoding.lab_of_linear(after.linear_a[held] * gains[a] + offsets[a]),
        encoding.lab_of_linear(after.linear_b[held] * gains[b] + offsets[b]),
    )
    return PairTone(before.scan_a, before.scan_b, int(held.sum()), raw, matched)
