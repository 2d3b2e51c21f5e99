"""One solve for the gains (and offsets) of all scans in one channel.

The residual of a cell is the difference of the two scans' lightness, L*(gain × light + offset), so that an error
counts as it is seen. Cells are weighted by Tukey's biweight about their overlap's median: dust, relief and
misregistration fall out. Cells of one overlap share slow errors (shading, a lifted sheet), so an overlap counts as a
few independent cells, however many it has.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

INDEPENDENT_CELLS = 16  # an overlap never counts as more
SCATTER_FLOOR_L = 0.05  # L*; errors that the scatter within one overlap does not show
GAIN_PRIOR = 0.15  # standard deviation of log gain: weak, it decides only what the overlaps leave open
OFFSET_PRIOR = 0.01  # of linear light
ITERATIONS = 8
BIWEIGHT = 4.685  # Tukey's constant for 95 % efficiency

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class ChannelPair:
    """Cells of one overlap in one channel: linear light in scans number `a` and `b`, each (n,)."""

    a: int
    b: int
    light_a: FloatArray
    light_b: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class ChannelFit:
    """Log gain and offset of every scan in one channel, with their standard deviations (0 for what was fixed)."""

    log_gain: FloatArray
    offset: FloatArray
    sigma_log_gain: FloatArray
    sigma_offset: FloatArray


def lightness(light: FloatArray) -> FloatArray:
    """CIE L* of relative luminance; a straight line below 0.008856, also for negative light."""
    return np.where(light > 216 / 24389, 116 * np.cbrt(light) - 16, light * 24389 / 27)


def lightness_slope(light: FloatArray) -> FloatArray:
    """Derivative of `lightness`."""
    safe = np.maximum(light, 216 / 24389)
    return np.where(light > 216 / 24389, 116 / 3 / np.cbrt(safe) ** 2, 24389 / 27)


def solve_channel(
    pairs: list[ChannelPair], scan_count: int, *, reference: int, has_offset: NDArray[np.bool_]
) -> ChannelFit:
    """Bring all overlaps into agreement with scan number `reference` held as it is.

    `has_offset` (scan_count,) says which scans may have an offset; the others keep 0.
    """
    free = np.ones(2 * scan_count, dtype=bool)
    free[scan_count:] = has_offset
    free[[reference, scan_count + reference]] = False
    prior = np.repeat([GAIN_PRIOR**-2, OFFSET_PRIOR**-2], scan_count)
    values = np.zeros(2 * scan_count)
    normal = np.diag(prior)
    if not free.any():
        pairs = []
    else:
        values[:scan_count] = _start(pairs, scan_count, reference)
    for _ in range(ITERATIONS if pairs else 0):
        normal, pull = _normal_equations(pairs, values, scan_count)
        normal[np.diag_indices_from(normal)] += prior
        pull -= prior * values
        values[free] += np.linalg.solve(normal[np.ix_(free, free)], pull[free])
    sigma = np.zeros(2 * scan_count)
    if free.any():
        sigma[free] = np.sqrt(np.diag(np.linalg.inv(normal[np.ix_(free, free)])))
    return ChannelFit(values[:scan_count], values[scan_count:], sigma[:scan_count], sigma[scan_count:])


def residuals(pair: ChannelPair, log_gain: FloatArray, offset: FloatArray) -> FloatArray:
    """L* of scan a minus that of scan b at every cell, after the match."""
    matched_a = np.exp(log_gain[pair.a]) * pair.light_a + offset[pair.a]
    matched_b = np.exp(log_gain[pair.b]) * pair.light_b + offset[pair.b]
    return lightness(matched_a) - lightness(matched_b)


def _start(pairs: list[ChannelPair], scan_count: int, reference: int) -> FloatArray:
    """Log gains from the median ratio of every overlap."""
    rows = [np.eye(scan_count) / GAIN_PRIOR, 1e6 * np.eye(scan_count)[reference : reference + 1]]
    right = [np.zeros(scan_count + 1)]
    for pair in pairs:
        row = np.zeros((1, scan_count))
        row[0, pair.a], row[0, pair.b] = 100.0, -100.0
        rows.append(row)
        ratio = np.maximum(pair.light_b, 1e-6) / np.maximum(pair.light_a, 1e-6)
        right.append(np.array([100.0 * np.log(np.median(ratio))]))
    start = np.linalg.lstsq(np.concatenate(rows), np.concatenate(right), rcond=None)[0]
    start[reference] = 0.0
    return start


def _normal_equations(pairs: list[ChannelPair], values: FloatArray, scan_count: int) -> tuple[FloatArray, FloatArray]:
    normal, pull = np.zeros((values.size, values.size)), np.zeros(values.size)
    for pair in pairs:
        places = np.array([pair.a, scan_count + pair.a, pair.b, scan_count + pair.b])
        jacobian = np.column_stack(
            [
                *_slopes(pair.light_a, values[pair.a], values[scan_count + pair.a]),
                *(-s for s in _slopes(pair.light_b, values[pair.b], values[scan_count + pair.b])),
            ]
        )
        left = residuals(pair, values[:scan_count], values[scan_count:])
        weighted = jacobian * _weights(left)[:, None]
        normal[np.ix_(places, places)] += weighted.T @ jacobian
        pull[places] -= weighted.T @ left
    return normal, pull


def _slopes(light: FloatArray, log_gain: float, offset: float) -> tuple[FloatArray, FloatArray]:
    scaled = np.exp(log_gain) * light
    slope = lightness_slope(scaled + offset)
    return slope * scaled, slope


def _weights(left: FloatArray) -> FloatArray:
    """Inverse variances: biweight about the median, all together worth a few independent cells."""
    middle = np.median(left)
    scatter = max(1.4826 * float(np.median(np.abs(left - middle))), SCATTER_FLOOR_L)
    biweight = np.maximum(1.0 - ((left - middle) / (BIWEIGHT * scatter)) ** 2, 0.0) ** 2
    worth = min(left.size, INDEPENDENT_CELLS)
    return biweight * worth / (biweight.sum() * scatter**2)
