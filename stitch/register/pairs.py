"""Which scans overlap, and how they lie: every pair tried, few believed."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from stitch.progress import Progress
from stitch.register import agreement, candidates, matching
from stitch.register.agreement import Agreement
from stitch.register.candidates import Candidate
from stitch.register.features import Features
from stitch.register.reduced import Reduced

MIN_MATCH_RATIO = 0.04  # true pairs reach 0.38 and more, false ones stay below 0.01 (measured, simulated scans)
MIN_AGREEING_FRACTION = 0.35
MIN_AGREEING_BLOCKS = 4


@dataclass(frozen=True, slots=True, eq=False)
class Pair:
    """A placement of two scans that was believed, with the evidence for it."""

    candidate: Candidate
    agreement: Agreement

    @property
    def scan_ids(self) -> tuple[str, str]:
        """The two scans."""
        return self.candidate.scan_a, self.candidate.scan_b


def find_pairs(
    reduced: Sequence[Reduced],
    features: Sequence[Features],
    nominal: Sequence[float],
    seed: int,
    pool: Executor,
    progress: Progress,
) -> list[Pair]:
    """Try every two scans.

    Parameters
    ----------
    nominal : size of each scan's reduced px, in any one unit common to all scans.
    seed : of the random trials, so that a run repeats itself.
    """
    found = []
    count = len(reduced) * (len(reduced) - 1) // 2
    with progress.task("Comparing scans", count) as task:

        def attempt(two: tuple[int, int]) -> Pair | None:
            i, j = two
            rng = np.random.default_rng((seed, i, j))
            return _try_pair(reduced[i], reduced[j], features[i], features[j], nominal[j] / nominal[i], rng)

        for pair in pool.map(attempt, combinations(range(len(reduced)), 2)):
            if pair is not None:
                found.append(pair)
            task.advance()
    return found


def _try_pair(
    a: Reduced, b: Reduced, features_a: Features, features_b: Features, scale: float, rng: np.random.Generator
) -> Pair | None:
    tried: list[Candidate] = []
    for group in matching.match(features_a, features_b, scale):
        tried += candidates.find(features_a, features_b, a.size, b.size, group, rng, scale)
    for candidate in sorted(tried, key=lambda c: -c.match_ratio):
        if not _is_plausible(candidate):
            continue
        agreed = agreement.check(a, b, candidate)
        if agreed.agreeing_count >= MIN_AGREEING_BLOCKS and agreed.fraction >= MIN_AGREEING_FRACTION:
            return Pair(candidate, agreed)
    return None


def _is_plausible(candidate: Candidate) -> bool:
    enough = candidate.match_count > candidates.minimum_matches(candidate.putative_count)
    return enough and candidate.match_ratio > MIN_MATCH_RATIO
