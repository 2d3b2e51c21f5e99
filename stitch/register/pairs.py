"""How two scans lie to each other: candidates from features, believed only when all of the overlap agrees."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from stitch.imaging.affine import apply, compose, corners
from stitch.register import agreement, candidates, matching
from stitch.register.agreement import Agreement
from stitch.register.belief import probability
from stitch.register.candidates import Candidate
from stitch.register.features import Features
from stitch.register.reduced import Reduced
from stitch.register.rivals import rival_maps
from stitch.register.sameplace import shows_same_paint

MIN_MATCH_RATIO = 0.04  # true pairs reach 0.38 and more, false ones stay below 0.01 (measured, simulated scans)
MIN_AGREEING_FRACTION = 0.35
MIN_AGREEING_BLOCKS = 4
SAME_PLACE_AGREEING_FRACTION = 0.8  # where the scans would show all but the same part
CLEARLY_WORSE = 2.0  # times what the best fit leaves unexplained
SAME_PLACE_PX = 20.0  # reduced px at the corners
RESAMPLING_UNEXPLAINED = 0.0003  # share that moving by a fraction of a px leaves, even without noise
PERFECT_UNEXPLAINED = 0.0005  # share left by two scans of the same paint, beside what noise leaves
PERFECT_NOISE_SHARES = 4.0
REPEAT_UNEXPLAINED = (
    0.00025  # the same of a pattern that repeats strictly, asked of places that show more than a little
)
REPEAT_NOISE_SHARES = 2.0
REPEAT_BLOCKS = 16


@dataclass(frozen=True, slots=True, eq=False)
class Pair:
    """A placement of two scans that was believed, with the evidence for it."""

    candidate: Candidate
    agreement: Agreement
    probability: float = 0.0  # of being right
    rivals: tuple[Pair, ...] = ()  # other placements that fit, each clearly worse
    tie_count: int = 0  # ties made by hand, where nothing else links the two

    @property
    def scan_ids(self) -> tuple[str, str]:
        """The two scans."""
        return self.candidate.scan_a, self.candidate.scan_b

    @property
    def is_perfect(self) -> bool:
        """Whether nothing is left unexplained but what noise and resampling leave."""
        floor = PERFECT_UNEXPLAINED + PERFECT_NOISE_SHARES * self.agreement.noise_share
        return self.agreement.unexplained <= floor

    @property
    def is_strict(self) -> bool:
        """Whether it is perfect beyond what two parts of a hand-drawn pattern are."""
        floor = REPEAT_UNEXPLAINED + REPEAT_NOISE_SHARES * self.agreement.noise_share
        return self.agreement.unexplained <= floor and self.agreement.block_count >= REPEAT_BLOCKS


@dataclass(frozen=True, slots=True)
class Doubt:
    """Two scans that fit each other at several places, no one clearly best: they are not linked."""

    scan_a: str
    scan_b: str
    place_count: int
    fits: tuple[Pair, ...] = ()


def try_pair(
    a: Reduced, b: Reduced, features_a: Features, features_b: Features, scale: float, rng: np.random.Generator
) -> Pair | Doubt | None:
    """The one way two scans lie to each other, a doubt where there are several, None where there is none.

    `scale` is the size of a reduced px of b in reduced px of a.
    """
    tried: list[Candidate] = []
    for group in matching.match(features_a, features_b, scale):
        tried += candidates.find(features_a, features_b, a.size, b.size, group, rng, scale)
    believed: list[Pair] = []
    for candidate in sorted(tried, key=lambda c: -c.match_ratio):
        if not is_plausible(candidate) or any(_is_same_place(candidate, pair.candidate, b) for pair in believed):
            continue
        pair = Pair(candidate, agreement.check(a, b, candidate))
        if is_believed(pair.agreement, a, b, candidate):
            believed.append(pair)
    return settled(a, b, features_a, features_b, believed)


def settled(
    a: Reduced, b: Reduced, features_a: Features, features_b: Features, believed: Sequence[Pair]
) -> Pair | Doubt | None:
    """What placements that are believed come to, once others that fit as well have been looked for."""
    if not believed:
        return None
    return _clearest([*believed, *_others(a, b, features_a, features_b, believed[0])])


def _is_same_place(one: Candidate, other: Candidate, b: Reduced) -> bool:
    ends = corners(b.size.width_px, b.size.height_px)
    return float(np.hypot(*(apply(one.a_from_b, ends) - apply(other.a_from_b, ends)).T).max()) < SAME_PLACE_PX


def is_plausible(candidate: Candidate) -> bool:
    """Whether chance cannot give that many matches."""
    enough = candidate.match_count > candidates.minimum_matches(candidate.putative_count)
    return enough and candidate.match_ratio > MIN_MATCH_RATIO


def is_believed(agreed: Agreement, a: Reduced, b: Reduced, candidate: Candidate) -> bool:
    """Whether the overlap agrees; where it is all but the whole scan, whether it agrees in paint."""
    if agreed.agreeing_count < MIN_AGREEING_BLOCKS or agreed.fraction < MIN_AGREEING_FRACTION:
        return False
    if not candidate.is_same_place:
        return True
    return agreed.fraction >= SAME_PLACE_AGREEING_FRACTION and shows_same_paint(a, b, candidate)


def _others(a: Reduced, b: Reduced, features_a: Features, features_b: Features, believed: Pair) -> list[Pair]:
    """Other places where the two scans fit over the whole of what they would then share."""
    found = []
    known = believed.candidate
    for start in rival_maps(a, b, known.a_from_b, known.turn_deg, believed.agreement.signal):
        candidate = replace(believed.candidate, a_from_b=start)
        agreed = agreement.check(a, b, candidate)
        if not is_believed(agreed, a, b, candidate) or agreed.correction is None:
            continue
        a_from_b = compose(agreed.correction, start)
        candidate = candidates.supported(features_a, features_b, a.size, b.size, believed.candidate.turn_deg, a_from_b)
        agreed = agreement.check(a, b, candidate)
        if is_believed(agreed, a, b, candidate):
            found.append(Pair(candidate, agreed))
    return found


def _clearest(fits: Sequence[Pair]) -> Pair | Doubt:
    """The only fit, or the one that fits perfectly and leaves clearly less unexplained than others; else a doubt."""
    best, *others = sorted(fits, key=lambda fit: fit.agreement.unexplained)
    left = best.agreement.unexplained
    margin = min((other.agreement.unexplained / max(left, 1e-6) for other in others), default=np.inf)
    is_clear = all(o.agreement.unexplained >= CLEARLY_WORSE * left + RESAMPLING_UNEXPLAINED for o in others)
    if others and not (is_clear and best.is_perfect):
        return doubt_of(fits)
    return replace(best, probability=probability(best.candidate, best.agreement, margin), rivals=tuple(others))


def doubt_of(fits: Sequence[Pair]) -> Doubt:
    """Several fits of two scans, none believed."""
    return Doubt(*fits[0].scan_ids, len(fits), tuple(fits))
