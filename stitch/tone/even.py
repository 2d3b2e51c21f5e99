"""Whether the light within the scans has to be evened out, and the fields that do it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from stitch.imaging.affine import FloatArray, nearest_turn_deg, px_from_mm, scale_of
from stitch.model.geometry import Size
from stitch.model.tone import Evenness, LightField
from stitch.tone.evened import field_at_grid, spline_matrix
from stitch.tone.samples import PairSamples, PlacedSource
from stitch.tone.solve import lightness
from stitch.tone.unevenness import LogPair, solve_fields

PASSES = 2  # gains and fields in turn
HELPS, HARMS_NOT = 0.65, 1.02  # of the differences by gains alone: what one measure must reach, and both keep
SEEN_L = 0.15  # of the last of the measures: what is less nobody sees
MEASURES = (75, 90)  # percentiles of held-out differences of lightness
BLOCK_MM = 12.0
SAME_BED = 0.02  # sides of scans may differ so much and still show the same part of the bed
ASKED = 24  # places along a side at which a field is looked at

Solve = Callable[[list[PairSamples], list[str], int], tuple[FloatArray, FloatArray]]


@dataclass(frozen=True, slots=True, eq=False)
class Even:
    """Samples with their light evened out, the gains and offsets that then fit, and the field of every scan."""

    pairs: list[PairSamples]
    gains: FloatArray  # (scan_count, 3)
    offsets: FloatArray
    fields: Mapping[str, LightField]
    told: Evenness


def even_out(
    pairs: list[PairSamples],
    placed: Sequence[PlacedSource],
    ids: list[str],
    reference: int,
    gains: FloatArray,
    offsets: FloatArray,
    canvas_ppi: float,
    solve: Solve,
) -> Even | None:
    """Fields for all scans, or None where held-out cells do not agree clearly better with them.

    `gains`, `offsets` : what fits best without fields, (scan_count, 3), from `solve`.
    """
    if not pairs:
        return None
    sizes = {scan.scan_id: scan.source.size for scan in placed}
    ppi = {scan.scan_id: canvas_ppi / scale_of(scan.placed.canvas_from_straight) for scan in placed}
    is_turned = len({nearest_turn_deg(scan.placed.canvas_from_straight) for scan in placed}) > 1
    before = _differences(pairs, gains, offsets, ids, ppi)
    if before[-1] < SEEN_L:
        return None
    seen = pairs
    logs: dict[str, tuple[float, FloatArray]] = {}
    for _ in range(PASSES):
        shown = [_log_pair(pair, raw, gains, offsets, ids) for pair, raw in zip(seen, pairs, strict=True)]
        found = solve_fields(shown, sizes, ppi, is_ramp_known=is_turned, is_one_bed=_is_one_bed(sizes, ppi))
        logs = {name: (step, logs[name][1] + log if name in logs else log) for name, (step, log) in found.items()}
        logs = _about(logs, ids[reference], sizes)
        seen = [_lit(pair, logs, sizes) for pair in pairs]
        gains, offsets = solve(seen, ids, reference)
    after = _differences(seen, gains, offsets, ids, ppi)
    ratios = after / np.maximum(before, 1e-9)
    if ratios.min() > HELPS or ratios.max() > HARMS_NOT:
        return None
    gains, logs, largest = _darkening(gains, logs, ids, sizes)
    seen = [_lit(pair, logs, sizes) for pair in pairs]
    fields = {name: _record(step, log) for name, (step, log) in logs.items()}
    told = Evenness(float(before[-1]), float(after[-1]), 100 * float(np.expm1(largest)), is_turned)
    return Even(seen, gains, offsets, fields, told)


Logs = Mapping[str, tuple[float, FloatArray]]


def _log_pair(pair: PairSamples, raw: PairSamples, gains: FloatArray, offsets: FloatArray, ids: list[str]) -> LogPair:
    use = ~raw.is_heldout
    a, b = ids.index(pair.scan_a), ids.index(pair.scan_b)
    light = (pair.linear_a * gains[a] + offsets[a])[use], (pair.linear_b * gains[b] + offsets[b])[use]
    return LogPair(pair.scan_a, pair.scan_b, pair.at_a_px[use], pair.at_b_px[use], *light)


def _lit(pair: PairSamples, logs: Logs, sizes: Mapping[str, Size]) -> PairSamples:
    """The samples with their light evened out."""
    a, b = (
        np.exp(_at(*logs[name], sizes[name], at_px))
        for name, at_px in ((pair.scan_a, pair.at_a_px), (pair.scan_b, pair.at_b_px))
    )
    return replace(pair, linear_a=pair.linear_a * a, linear_b=pair.linear_b * b)


def _at(step: float, log: FloatArray, size: Size, at_px: FloatArray) -> FloatArray:
    """Log factor at places, (n, 3)."""
    across = spline_matrix(at_px[:, 0], step, size.width_px, log.shape[1])
    down = spline_matrix(at_px[:, 1], step, size.height_px, log.shape[0])
    return np.stack([np.einsum("na,ab,nb->n", down, log[..., c], across, optimize=True) for c in range(3)], axis=-1)


def _about(logs: Logs, reference_id: str, sizes: Mapping[str, Size]) -> dict[str, tuple[float, FloatArray]]:
    """All fields by one factor so that the reference keeps its light on average."""
    mean = _over_scan(*logs[reference_id], sizes[reference_id]).mean(axis=(0, 1))
    return {name: (step, log - mean) for name, (step, log) in logs.items()}


def _darkening(
    gains: FloatArray, logs: Logs, ids: list[str], sizes: Mapping[str, Size]
) -> tuple[FloatArray, dict[str, tuple[float, FloatArray]], float]:
    """The same with no factor above 1, gains making up for it; and the largest span of a field, log light."""
    gains, lower, largest = gains.copy(), {}, 0.0
    for k, name in enumerate(ids):
        step, log = logs[name]
        over = _over_scan(step, log, sizes[name])
        top = log.max(axis=(0, 1))  # a spline never exceeds its coefficients
        largest = max(largest, float(np.ptp(over, axis=(0, 1)).max()))
        gains[k] *= np.exp(top)
        lower[name] = (step, log - top)
    return gains, lower, largest


def _over_scan(step: float, log: FloatArray, size: Size) -> FloatArray:
    axes = (np.linspace(0, length - 1, ASKED) for length in (size.width_px, size.height_px))
    return field_at_grid(log, (step, step), size, *axes)


def _differences(
    pairs: Sequence[PairSamples], gains: FloatArray, offsets: FloatArray, ids: list[str], ppi: Mapping[str, float]
) -> FloatArray:
    """Percentiles MEASURES of differences of lightness over held-out blocks, all overlaps and channels together.

    Blocks of cells, because relief and noise differ from cell to cell and light does not.
    """
    off = []
    for pair in pairs:
        a, b = ids.index(pair.scan_a), ids.index(pair.scan_b)
        held = pair.is_heldout
        light = (side[held] * gains[k] + offsets[k] for side, k in ((pair.linear_a, a), (pair.linear_b, b)))
        first, second = (lightness(one) for one in light)
        block = np.floor(pair.at_a_px[held] / px_from_mm(BLOCK_MM, ppi[pair.scan_a]))
        off.append(np.abs(_block_means(first - second, block)).ravel())
    return np.percentile(np.concatenate(off), MEASURES)


def _block_means(values: FloatArray, block: FloatArray) -> FloatArray:
    """Means of rows (n, 3) that share a block (n, 2)."""
    _, which, count = np.unique(block, axis=0, return_inverse=True, return_counts=True)
    total = np.zeros((len(count), values.shape[1]))
    np.add.at(total, which.ravel(), values)
    return np.asarray(total / count[:, None])


def _is_one_bed(sizes: Mapping[str, Size], ppi: Mapping[str, float]) -> bool:
    sides = np.array([(size.width_px / ppi[name], size.height_px / ppi[name]) for name, size in sizes.items()])
    return bool((np.ptp(sides, axis=0) <= SAME_BED * sides.mean(axis=0)).all())


def _record(step: float, log: FloatArray) -> LightField:
    rounded = np.moveaxis(log, -1, 0).round(6)
    rgb = tuple(tuple(tuple(float(v) for v in row) for row in channel) for channel in rounded)
    return LightField((step, step), rgb)
