"""Whether the light within the scans has to be evened out, and the fields that do it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from stitch.imaging.affine import FloatArray, px_from_mm
from stitch.model.geometry import Size
from stitch.model.tone import LightField, SlopeSource
from stitch.tone.evened import field_at_grid, spline_matrix
from stitch.tone.matched import Matches
from stitch.tone.samples import PairSamples
from stitch.tone.solve import lightness
from stitch.tone.unevenness import LogPair, solve_fields

PASSES = 2  # gains and fields in turn
LIFT_WORTH = 0.1  # share by which darkening at borders must lower either measure to be believed
HELPS, HARMS_NOT = 0.65, 1.02  # of the differences by gains alone: what one measure must reach, and both keep
SEEN_L = 0.15  # of the last of the measures: what is less nobody sees
MEASURES = (75, 90)  # percentiles of held-out differences of lightness
BLOCK_MM = 12.0
SAME_BED = 0.02  # sides of scans may differ so much and still show the same part of the bed
ASKED = 24  # places along a side at which a field is looked at

Solve = Callable[[list[PairSamples]], Matches]
Logs = Mapping[str, tuple[float, FloatArray]]
"""For every scan the distance of knots, px, and the coefficients (rows, columns, 3) of a log factor on its light."""


@dataclass(frozen=True, slots=True, eq=False)
class Scans:
    """What is known of the scans: their names in the order of the solve, sizes and resolutions."""

    ids: list[str]
    sizes: Mapping[str, Size]
    ppi: Mapping[str, float]

    @property
    def is_one_bed(self) -> bool:
        """True when all show the same part of the bed."""
        sides = np.array(
            [(s.width_px / self.ppi[name], s.height_px / self.ppi[name]) for name, s in self.sizes.items()]
        )
        return bool((np.ptp(sides, axis=0) <= SAME_BED * sides.mean(axis=0)).all())


@dataclass(frozen=True, slots=True, eq=False)
class Even:
    """Samples with their light evened out, the tones that then fit, and the log factor of every scan."""

    pairs: list[PairSamples]
    matches: Matches
    logs: Logs
    before_l: float = 0.0  # the last of MEASURES, L*, without and with the fields
    after_l: float = 0.0


def even_out(
    pairs: list[PairSamples],
    scans: Scans,
    reference: int,
    matches: Matches,
    slope: SlopeSource,
    solve: Solve,
) -> Even | None:
    """Fields for all scans, or None where held-out cells do not agree clearly better with them.

    `matches` : what fits best without fields, by `solve`.
    """
    if not pairs:
        return None
    before = differences(pairs, matches, scans)
    if before[-1] < SEEN_L:
        return None
    simple = _tried(pairs, scans, reference, matches, slope, solve, has_lift=False)
    after = differences(simple.pairs, simple.matches, scans)
    best = simple
    if after[-1] >= SEEN_L:
        lifted = _tried(pairs, scans, reference, matches, slope, solve, has_lift=True)
        after_lifted = differences(lifted.pairs, lifted.matches, scans)
        if np.any(after_lifted < (1 - LIFT_WORTH) * after):
            best, after = lifted, after_lifted
    ratios = after / np.maximum(before, 1e-9)
    if ratios.min() > HELPS or ratios.max() > HARMS_NOT:
        return None
    return replace(best, before_l=float(before[-1]), after_l=float(after[-1]))


def _tried(
    pairs: list[PairSamples],
    scans: Scans,
    reference: int,
    matches: Matches,
    slope: SlopeSource,
    solve: Solve,
    *,
    has_lift: bool,
) -> Even:
    """The fields, with darkening at borders or without."""
    seen = pairs
    logs: dict[str, tuple[float, FloatArray]] = {}
    for _ in range(PASSES):
        shown = [_log_pair(pair, raw, matches, scans.ids) for pair, raw in zip(seen, pairs, strict=True)]
        found = solve_fields(shown, scans.sizes, scans.ppi, slope=slope, is_one_bed=scans.is_one_bed, has_lift=has_lift)
        logs = {name: (step, logs[name][1] + log if name in logs else log) for name, (step, log) in found.items()}
        logs = about(logs, scans.ids[reference], scans.sizes)
        seen = [lit(pair, logs, scans.sizes) for pair in pairs]
        matches = solve(seen)
    return Even(seen, matches, logs)


def _log_pair(pair: PairSamples, raw: PairSamples, matches: Matches, ids: list[str]) -> LogPair:
    use = ~raw.is_heldout
    a, b = ids.index(pair.scan_a), ids.index(pair.scan_b)
    light = matches.of(a, pair.linear_a[use]), matches.of(b, pair.linear_b[use])
    return LogPair(pair.scan_a, pair.scan_b, pair.at_a_px[use], pair.at_b_px[use], *light)


def lit(pair: PairSamples, logs: Logs, sizes: Mapping[str, Size]) -> PairSamples:
    """The samples with their light multiplied by the factors."""
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


def about(logs: Logs, reference_id: str, sizes: Mapping[str, Size]) -> dict[str, tuple[float, FloatArray]]:
    """All fields by one factor so that the reference keeps its light on average."""
    mean = _over_scan(*logs[reference_id], sizes[reference_id]).mean(axis=(0, 1))
    return {name: (step, log - mean) for name, (step, log) in logs.items()}


def span_percent(log: tuple[float, FloatArray], size: Size) -> float:
    """By how much a field changes light at most between two places of its scan, %."""
    return 100 * float(np.expm1(np.ptp(_over_scan(*log, size), axis=(0, 1)).max()))


def _over_scan(step: float, log: FloatArray, size: Size) -> FloatArray:
    axes = (np.linspace(0, length - 1, ASKED) for length in (size.width_px, size.height_px))
    return field_at_grid(log, (step, step), size, *axes)


def differences(pairs: Sequence[PairSamples], matches: Matches, scans: Scans) -> FloatArray:
    """Percentiles MEASURES of differences of lightness over held-out blocks, all overlaps and channels together.

    Blocks of cells, because relief and noise differ from cell to cell and light does not.
    """
    off = []
    for pair in pairs:
        a, b = scans.ids.index(pair.scan_a), scans.ids.index(pair.scan_b)
        held = pair.is_heldout
        first, second = (lightness(matches.of(k, s[held])) for k, s in ((a, pair.linear_a), (b, pair.linear_b)))
        block = np.floor(pair.at_a_px[held] / px_from_mm(BLOCK_MM, scans.ppi[pair.scan_a]))
        off.append(np.abs(_block_means(first - second, block)).ravel())
    return np.percentile(np.concatenate(off), MEASURES)


def _block_means(values: FloatArray, block: FloatArray) -> FloatArray:
    """Means of rows (n, 3) that share a block (n, 2)."""
    _, which, count = np.unique(block, axis=0, return_inverse=True, return_counts=True)
    total = np.zeros((len(count), values.shape[1]))
    np.add.at(total, which.ravel(), values)
    return np.asarray(total / count[:, None])


def recorded(log: tuple[float, FloatArray]) -> LightField:
    """A field as it is kept: no factor above 1, and what makes up for it."""
    step, coefficients = log
    top = coefficients.max(axis=(0, 1))  # a spline never exceeds its coefficients
    rounded = np.moveaxis(coefficients - top, -1, 0).round(6)
    rgb = tuple(tuple(tuple(float(v) for v in row) for row in channel) for channel in rounded)
    r, g, b = (float(v) for v in np.exp(top))
    return LightField((step, step), rgb, (r, g, b))
