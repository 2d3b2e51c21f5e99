"""Which scans overlap, and how they lie: every pair tried, few believed."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from stitch.imaging.affine import apply, compose, corners
from stitch.progress import Progress
from stitch.register import agreement, candidates, matching
from stitch.register.agreement import Agreement
from stitch.register.candidates import Candidate
from stitch.register.features import Features
from stitch.register.reduced import Reduced
from stitch.register.rivals import rival_maps

MIN_MATCH_RATIO = 0.04  # true pairs reach 0.38 and more, false ones stay below 0.01 (measured, simulated scans)
MIN_AGREEING_FRACTION = 0.35
MIN_AGREEING_BLOCKS = 4
CLEARLY_WORSE = 2.0  # times what the best fit leaves unexplained
SAME_PLACE_PX = 20.0  # reduced px at the corners
RESAMPLING_UNEXPLAINED = 0.001  # share that moving by a fraction of a px leaves, even without noise


@dataclass(frozen=True, slots=True, eq=False)
class Pair:
    """A placement of two scans that was believed, with the evidence for it."""

    candidate: Candidate
    agreement: Agreement

    @property
    def scan_ids(self) -> tuple[str, str]:
        """The two scans."""
        return self.candidate.scan_a, self.candidate.scan_b


@dataclass(frozen=True, slots=True)
class Doubt:
    """Two scans that fit each other at several places, no one clearly best: they are not linked."""

    scan_a: str
    scan_b: str
    place_count: int


def find_pairs(
    reduced: Sequence[Reduced],
    features: Sequence[Features],
    nominal: Sequence[float],
    seed: int,
    pool: Executor,
    progress: Progress,
) -> tuple[list[Pair], list[Doubt]]:
    """Try every two scans; the links believed, and those in doubt.

    Parameters
    ----------
    nominal : size of each scan's reduced px, in any one unit common to all scans.
    seed : of the random trials, so that a run repeats itself.
    """
    found: list[Pair] = []
    doubts: list[Doubt] = []
    count = len(reduced) * (len(reduced) - 1) // 2
    with progress.task("Comparing scans", count) as task:

        def attempt(two: tuple[int, int]) -> Pair | Doubt | None:
            i, j = two
            rng = np.random.default_rng((seed, i, j))
            return _try_pair(reduced[i], reduced[j], features[i], features[j], nominal[j] / nominal[i], rng)

        for result in pool.map(attempt, combinations(range(len(reduced)), 2)):
            if isinstance(result, Pair):
                found.append(result)
            elif result is not None:
                doubts.append(result)
            task.advance()
    return found, doubts


def _try_pair(
    a: Reduced, b: Reduced, features_a: Features, features_b: Features, scale: float, rng: np.random.Generator
) -> Pair | Doubt | None:
    tried: list[Candidate] = []
    for group in matching.match(features_a, features_b, scale):
        tried += candidates.find(features_a, features_b, a.size, b.size, group, rng, scale)
    believed: list[Pair] = []
    for candidate in sorted(tried, key=lambda c: -c.match_ratio):
        if not _is_plausible(candidate) or any(_is_same_place(candidate, pair.candidate, b) for pair in believed):
            continue
        pair = Pair(candidate, agreement.check(a, b, candidate))
        if _is_believed(pair.agreement):
            believed.append(pair)
    if not believed:
        return None
    fits = believed + _others(a, b, features_a, features_b, believed[0])
    return _clearest(fits) if len(fits) > 1 else fits[0]


def _is_same_place(one: Candidate, other: Candidate, b: Reduced) -> bool:
    ends = corners(b.size.width_px, b.size.height_px)
    return float(np.hypot(*(apply(one.a_from_b, ends) - apply(other.a_from_b, ends)).T).max()) < SAME_PLACE_PX


def _is_plausible(candidate: Candidate) -> bool:
    enough = candidate.match_count > candidates.minimum_matches(candidate.putative_count)
    return enough and candidate.match_ratio > MIN_MATCH_RATIO


def _is_believed(agreed: Agreement) -> bool:
    return agreed.agreeing_count >= MIN_AGREEING_BLOCKS and agreed.fraction >= MIN_AGREEING_FRACTION


def _others(a: Reduced, b: Reduced, features_a: Features, features_b: Features, believed: Pair) -> list[Pair]:
    """Other places where the two scans fit over the whole of what they would then share."""
    found = []
    for start in rival_maps(a, b, believed.candidate.a_from_b, believed.candidate.turn_deg):
        candidate = replace(believed.candidate, a_from_b=start)
        agreed = agreement.check(a, b, candidate)
        if not _is_believed(agreed) or agreed.correction is None:
            continue
        a_from_b = compose(agreed.correction, start)
        candidate = candidates.supported(features_a, features_b, a.size, b.size, believed.candidate.turn_deg, a_from_b)
        if candidate.overlap_fraction < candidates.SAME_PLACE_FRACTION:
            found.append(Pair(candidate, agreement.check(a, b, candidate)))
    return found


def _clearest(fits: Sequence[Pair]) -> Pair | Doubt:
    """The fit that leaves clearly less unexplained than every other; a doubt when there is none such."""
    best, second, *_ = sorted(fits, key=lambda fit: fit.agreement.unexplained)
    if second.agreement.unexplained < CLEARLY_WORSE * best.agreement.unexplained + RESAMPLING_UNEXPLAINED:
        return Doubt(best.candidate.scan_a, best.candidate.scan_b, len(fits))
    return best
