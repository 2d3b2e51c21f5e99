"""One solve for the gains (and, where asked for, gammas and offsets) of all scans in one channel.

matched = gain × light^gamma + offset, in linear light: exposure and lamp multiply light, a black level is added to it,
and a contrast setting is a power of it (of the codes too, as far as their curve is a power). The residual of a cell is
the difference of the two scans' lightness, L*(matched), so that an error counts as it is seen. Cells are weighted by
Tukey's biweight about their overlap's median: dust, relief and misregistration fall out. Cells of one overlap share
slow errors (shading, a lifted sheet), so an overlap counts as a few independent cells, however many it has.

While solving, each scan's gain is that at the middle of its own tones, not at white: there gain and gamma do not
stand in for each other, and a gamma that the tones do not show stays at 1 by its prior.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

INDEPENDENT_CELLS = 16  # an overlap never counts as more
SCATTER_FLOOR_L = 0.05  # L*; errors that the scatter within one overlap does not show
GAIN_PRIOR = 0.08  # standard deviation of log gain; priors decide only what the overlaps leave open
GAMMA_PRIOR = 0.04
OFFSET_PRIOR = 0.004  # of linear light
ITERATIONS = 8
SETTLED = 1e-7  # of log gains, gammas and offsets: a hundredth of a 16-bit code
BIWEIGHT = 4.685  # Tukey's constant for 95 % efficiency
DARKEST = 1e-4  # light whose logarithm is taken
TERMS = 3  # of a scan: log gain at its middle tone, gamma − 1, offset

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
    """Log gain, gamma and offset of every scan in one channel, with their covariances (0 for what was fixed).

    `log_gain` is that of white, light 1; the covariances (scan_count, 3, 3) are of log gain at the scan's own
    `log_middle`, gamma and offset.
    """

    log_gain: FloatArray
    gamma: FloatArray
    offset: FloatArray
    log_middle: FloatArray
    covariance: FloatArray

    @property
    def sigma_log_gain(self) -> FloatArray:
        """Standard deviation of log gain at the scan's middle tone."""
        return np.sqrt(self.covariance[:, 0, 0])

    @property
    def sigma_gamma(self) -> FloatArray:
        """Standard deviation of gamma."""
        return np.sqrt(self.covariance[:, 1, 1])

    @property
    def sigma_offset(self) -> FloatArray:
        """Standard deviation of the offset."""
        return np.sqrt(self.covariance[:, 2, 2])

    @property
    def strangeness(self) -> float:
        """How far from what scanners do: the sum of squares of all terms over what is expected of them."""
        terms = self.log_gain / GAIN_PRIOR, (self.gamma - 1.0) / GAMMA_PRIOR, self.offset / OFFSET_PRIOR
        return float(sum(np.sum(np.square(term)) for term in terms))

    def matched(self, scan: int, light: FloatArray) -> FloatArray:
        """Light of a scan in the tone of the reference."""
        raised = light if self.gamma[scan] == 1.0 else np.maximum(light, 0.0) ** self.gamma[scan]
        return np.asarray(np.exp(self.log_gain[scan]) * raised + self.offset[scan])

    def sigma_lightness(self, light: float) -> FloatArray:
        """How unsure the lightness of some light is after the match, L*, for every scan: (scan_count,)."""
        log_light = np.log(light)
        scaled = np.exp(self.log_gain + self.gamma * log_light)
        terms = np.stack([scaled, scaled * (log_light - self.log_middle), np.ones_like(scaled)], axis=-1)
        variance = np.einsum("ki,kij,kj->k", terms, self.covariance, terms)
        return np.asarray(lightness_slope(scaled + self.offset) * np.sqrt(np.maximum(variance, 0.0)))


def lightness(light: FloatArray) -> FloatArray:
    """CIE L* of relative luminance; a straight line below 0.008856, also for negative light."""
    return np.where(light > 216 / 24389, 116 * np.cbrt(light) - 16, light * 24389 / 27)


def lightness_slope(light: FloatArray) -> FloatArray:
    """Derivative of `lightness`."""
    return _lightness_and_slope(light)[1]


def _lightness_and_slope(light: FloatArray) -> tuple[FloatArray, FloatArray]:
    """`lightness` and its derivative, from one cube root."""
    root = np.cbrt(np.maximum(light, 216 / 24389))
    is_curved = light > 216 / 24389
    value = np.where(is_curved, 116 * root - 16, light * (24389 / 27))
    return value, np.where(is_curved, 116 / 3 / (root * root), 24389 / 27)


def solve_channel(
    pairs: list[ChannelPair],
    scan_count: int,
    *,
    reference: int,
    has_offset: NDArray[np.bool_],
    has_gamma: NDArray[np.bool_] | None = None,
) -> ChannelFit:
    """Bring all overlaps into agreement with scan number `reference` held as it is.

    `has_offset`, `has_gamma` (scan_count,) say which scans may have one; the others keep 0 and 1.
    """
    free = np.ones((scan_count, TERMS), dtype=bool)
    free[:, 1] = False if has_gamma is None else has_gamma
    free[:, 2] = has_offset
    free[reference] = False
    flat = free.ravel()
    prior = np.tile([GAIN_PRIOR**-2, GAMMA_PRIOR**-2, OFFSET_PRIOR**-2], scan_count)
    middle = _log_middles(pairs, scan_count)
    values = np.zeros((scan_count, TERMS))
    normal = np.diag(prior)
    if not flat.any():
        pairs = []
    else:
        values[:, 0] = _start(pairs, scan_count, reference)
    logs = [(_logs(p.light_a), _logs(p.light_b)) for p in pairs] if free[:, 1].any() else None
    for _ in range(ITERATIONS if pairs else 0):
        normal, pull = _normal_equations(pairs, logs, values, middle)
        normal[np.diag_indices_from(normal)] += prior
        pull -= prior * values.ravel()
        step = np.linalg.solve(normal[np.ix_(flat, flat)], pull[flat])
        values[free] += step
        if np.abs(step).max() < SETTLED:
            break
    covariance = np.zeros_like(normal)
    if flat.any():
        covariance[np.ix_(flat, flat)] = np.linalg.inv(normal[np.ix_(flat, flat)])
    each = covariance.reshape(scan_count, TERMS, scan_count, TERMS)
    own = np.stack([each[k, :, k, :] for k in range(scan_count)])
    at_white = values[:, 0] - values[:, 1] * middle
    return ChannelFit(at_white, 1.0 + values[:, 1], values[:, 2], middle, own)


def residuals(pair: ChannelPair, found: ChannelFit) -> FloatArray:
    """L* of scan a minus that of scan b at every cell, after the match."""
    return lightness(found.matched(pair.a, pair.light_a)) - lightness(found.matched(pair.b, pair.light_b))


def _log_middles(pairs: list[ChannelPair], scan_count: int) -> FloatArray:
    """Logarithm of the middle of each scan's tones; 0 for one without overlaps."""
    lights: list[list[FloatArray]] = [[] for _ in range(scan_count)]
    for pair in pairs:
        lights[pair.a].append(pair.light_a)
        lights[pair.b].append(pair.light_b)
    return np.array([float(np.median(_logs(np.concatenate(one)))) if one else 0.0 for one in lights])


def _logs(light: FloatArray) -> FloatArray:
    return np.log(np.maximum(light, DARKEST))


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


def _normal_equations(
    pairs: list[ChannelPair],
    logs: list[tuple[FloatArray, FloatArray]] | None,
    values: FloatArray,
    middle: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """`logs` : logarithms of the pairs' light; None where no scan may have a gamma."""
    normal, pull = np.zeros((values.size, values.size)), np.zeros(values.size)
    for number, pair in enumerate(pairs):
        places = np.concatenate([TERMS * pair.a + np.arange(TERMS), TERMS * pair.b + np.arange(TERMS)])
        rows = np.empty((2 * TERMS + 1, pair.light_a.size))  # slopes by the terms of both scans, and what is left
        log_a, log_b = logs[number] if logs is not None else (None, None)
        seen_a = _matched_and_slopes(pair.light_a, log_a, values[pair.a], middle[pair.a], rows[:TERMS])
        seen_b = _matched_and_slopes(pair.light_b, log_b, values[pair.b], middle[pair.b], rows[TERMS:-1])
        np.negative(rows[TERMS:-1], out=rows[TERMS:-1])
        rows[-1] = seen_a - seen_b
        products = (rows * _weights(rows[-1])) @ rows.T
        normal[np.ix_(places, places)] += products[:-1, :-1]
        pull[places] -= products[:-1, -1]
    return normal, pull


def _matched_and_slopes(
    light: FloatArray, logs: FloatArray | None, values: FloatArray, middle: float, slopes: FloatArray
) -> FloatArray:
    """Lightness after the match, (n,); fills `slopes`, its derivatives by the scan's own three terms, (3, n)."""
    log_gain, more, offset = values
    if logs is None or more == 0.0:
        scaled = np.exp(log_gain) * light
    else:
        scaled = np.exp(log_gain + more * (logs - middle)) * np.maximum(light, 0.0)
    found, slopes[2] = _lightness_and_slope(scaled + offset)
    np.multiply(slopes[2], scaled, out=slopes[0])
    slopes[1] = 0.0 if logs is None else slopes[0] * (logs - middle)
    return found


def _weights(left: FloatArray) -> FloatArray:
    """Inverse variances: biweight about the median, all together worth a few independent cells."""
    middle = _median(left)
    scatter = max(1.4826 * _median(np.abs(left - middle)), SCATTER_FLOOR_L)
    biweight = np.maximum(1.0 - ((left - middle) / (BIWEIGHT * scatter)) ** 2, 0.0) ** 2
    worth = min(left.size, INDEPENDENT_CELLS)
    return biweight * worth / (biweight.sum() * scatter**2)


def _median(values: FloatArray) -> float:
    """The median of (n,), without what makes `numpy.median` take longer than its work on a few hundred values."""
    half = values.size // 2
    parted = np.partition(values, half)
    return float(parted[half]) if values.size % 2 else float(parted[half] + parted[:half].max()) / 2
