"""How much of a tone the overlaps are evidence for: a gain alone, or an offset, a gamma, or both as well.

A term is tried for the scans whose overlaps hold dark and light tones, kept for those where it is surely not nothing
and where white and dark stay well known, and adopted for the channel only when it lowers the differences that
held-out cells show, tone by tone. What the overlaps do not show stays a gain: that is the one that never runs away
over tones that no overlap has. With one exception: overlaps of dark paint alone can ask for a gain no scanner has (a
third, for a black level of 0.004); then offsets as large as scanners have them are taken to be the cause.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stitch.model.settings import ToneMatch
from stitch.tone.matched import Matches
from stitch.tone.samples import PairSamples
from stitch.tone.solve import ChannelFit, ChannelPair, lightness, residuals, solve_channel

SURE_SIGMAS = 3.0  # a gain nearer to 1 than this many standard deviations is 1
LARGEST_SNAP = 0.003  # log gain; a larger one is never taken for 1, however unsure
OFFSET_SIGMAS, GAMMA_SIGMAS = 3.0, 2.5  # that a term must differ from nothing
SMALLEST_OFFSET = 3e-4  # linear light; less is hardly seen
SMALLEST_GAMMA = 0.003
LARGEST_GAMMA = 0.15  # a contrast setting, not two scans of one driver
TERM_RANGE_L = 12.0  # L* between the 5th and 95th percentile that a term needs as evidence
UNSURE_L = 1.0  # L*; how unsure white and dark may be, a standard deviation
DARK_LIGHT, WHITE_LIGHT = 0.01, 1.0
STRANGER = 9.0  # three standard deviations: a match so much less like a scanner gives way to offsets
WORTH = 0.1  # share by which a term must lower the held-out differences
TONES, FEWEST_OF_A_TONE = 8, 6  # parts of an overlap's tones, and held-out cells in each

Bools = NDArray[np.bool_]


def match(pairs: list[PairSamples], ids: list[str], reference: int, how: ToneMatch = ToneMatch.FULL) -> Matches:
    """Gains, gammas and offsets of all scans; a scan that needs nothing gets exactly nothing."""
    fits = [_channel(pairs, ids, reference, channel, how) for channel in range(3)]
    log_gain, gamma, offset, sigma = (
        np.stack([getattr(f, name) for f in fits], axis=1) for name in ("log_gain", "gamma", "offset", "sigma_log_gain")
    )
    is_one = (np.abs(log_gain) <= np.minimum(SURE_SIGMAS * sigma, LARGEST_SNAP)).all(axis=1)
    is_one &= ((offset == 0.0) & (gamma == 1.0)).all(axis=1)
    log_gain[is_one] = 0.0
    return Matches(np.exp(log_gain), gamma, offset)


def channel_pairs(pairs: list[PairSamples], ids: list[str], channel: int, *, heldout: bool) -> list[ChannelPair]:
    """The cells of one channel that are fitted, or those that are held out."""
    found = []
    for pair in pairs:
        use = pair.is_heldout == heldout
        a, b = ids.index(pair.scan_a), ids.index(pair.scan_b)
        found.append(ChannelPair(a, b, pair.linear_a[use, channel], pair.linear_b[use, channel]))
    return found


def _channel(pairs: list[PairSamples], ids: list[str], reference: int, channel: int, how: ToneMatch) -> ChannelFit:
    fitted = channel_pairs(pairs, ids, channel, heldout=False)
    heldout = channel_pairs(pairs, ids, channel, heldout=True)
    none = np.zeros(len(ids), dtype=bool)
    best = solve_channel(fitted, len(ids), reference=reference, has_offset=none)
    if how is not ToneMatch.FULL or not pairs:
        return best
    ranged = _with_range(fitted, len(ids))
    least = differences(heldout, best)
    for offsets, gammas in ((ranged, none), (none, ranged), (ranged, ranged)):
        trial = _sure_terms(fitted, len(ids), reference, offsets, gammas)
        if trial is not None and (found := differences(heldout, trial)) < (1 - WORTH) * least:
            best, least = trial, found
    likelier = solve_channel(fitted, len(ids), reference=reference, has_offset=~none)
    is_likelier = best.strangeness - likelier.strangeness > STRANGER
    return likelier if is_likelier and differences(heldout, likelier) <= least else best


def _sure_terms(
    fitted: list[ChannelPair], scan_count: int, reference: int, offsets: Bools, gammas: Bools
) -> ChannelFit | None:
    """The solve with those of the terms that are sure; None when none is."""
    is_wanted = offsets.any(), gammas.any()
    for _ in range(2):
        trial = solve_channel(fitted, scan_count, reference=reference, has_offset=offsets, has_gamma=gammas)
        known = np.maximum(trial.sigma_lightness(WHITE_LIGHT), trial.sigma_lightness(DARK_LIGHT)) < UNSURE_L
        known &= np.abs(trial.gamma - 1.0) <= LARGEST_GAMMA
        is_offset = np.abs(trial.offset) > np.maximum(OFFSET_SIGMAS * trial.sigma_offset, SMALLEST_OFFSET)
        is_gamma = np.abs(trial.gamma - 1.0) > np.maximum(GAMMA_SIGMAS * trial.sigma_gamma, SMALLEST_GAMMA)
        offsets, gammas = offsets & known & is_offset, gammas & known & is_gamma
    if (offsets.any(), gammas.any()) != is_wanted:
        return None
    return solve_channel(fitted, scan_count, reference=reference, has_offset=offsets, has_gamma=gammas)


def _with_range(pairs: list[ChannelPair], scan_count: int) -> Bools:
    """Scans whose overlaps hold dark and light tones."""
    found = np.zeros(scan_count, dtype=bool)
    for scan in range(scan_count):
        lights = [p.light_a if p.a == scan else p.light_b for p in pairs if scan in (p.a, p.b)]
        if lights:
            low, high = np.percentile(lightness(np.concatenate(lights)), [5, 95])
            found[scan] = high - low >= TERM_RANGE_L
    return found


def differences(pairs: list[ChannelPair], found: ChannelFit) -> float:
    """Typical difference of lightness between two scans at one tone, L*: what a match leaves.

    The cells of an overlap are taken by their tone, a few dozen together: noise and relief differ from cell to cell
    and cancel, a wrong curve does not.
    """
    off: list[float] = []
    for pair in pairs:
        left = residuals(pair, found)[np.argsort(pair.light_a + pair.light_b)]
        parts = max(1, min(TONES, left.size // FEWEST_OF_A_TONE))
        off += [float(np.median(part)) for part in np.array_split(left, parts)]
    return float(np.sqrt(np.mean(np.square(off))))
