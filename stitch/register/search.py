"""The search for pairs over a whole set of scans: which are compared at full price, and what the set decides."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from stitch.model.store import NO_STORE, Store
from stitch.model.ties import ordered
from stitch.progress import Progress, Task
from stitch.register import graph, votes
from stitch.register.consistent import decide
from stitch.register.features import Features
from stitch.register.pairs import Doubt, Pair, doubt_of, try_pair
from stitch.register.recall import comparison
from stitch.register.reduced import Reduced
from stitch.register.tooth import try_tooth

ALL_PAIRS_UP_TO = 12  # scans; above, only the most promising partners are tried
PARTNERS = 10  # of each scan
MOST_IN_TOOTH = 60  # pairs: each takes seconds


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """What the search came to."""

    pairs: tuple[Pair, ...]
    doubts: tuple[Doubt, ...]
    tried_count: int  # pairs compared at full price


@dataclass(frozen=True, slots=True, eq=False)
class _Set:
    reduced: Sequence[Reduced]
    features: Sequence[Features]
    pitch: Sequence[float]
    seed: int
    apart: frozenset[tuple[str, str]] = frozenset()  # every two, in the order of names, that are never linked
    keys: Sequence[str] = ()  # what each scan's features were made from
    store: Store = NO_STORE
    way: str = "usual"

    def is_apart(self, two: tuple[int, int]) -> bool:
        return ordered(*(self.reduced[k].scan_id for k in two)) in self.apart

    def attempt(self, two: tuple[int, int]) -> Pair | Doubt | None:
        if self.is_apart(two):
            return None
        i, j = two
        rng = np.random.default_rng((self.seed, i, j))
        scale = self.pitch[j] / self.pitch[i]
        return self._known(
            two,
            self.way,
            lambda: try_pair(self.reduced[i], self.reduced[j], self.features[i], self.features[j], scale, rng),
        )

    def in_tooth(self, two: tuple[int, int]) -> Pair | Doubt | None:
        if self.is_apart(two):
            return None
        i, j = two
        scale = self.pitch[j] / self.pitch[i]
        return self._known(
            two,
            "tooth",
            lambda: try_tooth(self.reduced[i], self.reduced[j], self.features[i], self.features[j], scale),
        )

    def _known(self, two: tuple[int, int], way: str, make: Callable[[], Pair | Doubt | None]) -> Pair | Doubt | None:
        i, j = two
        key = f"{way} {self.seed} {self.keys[i]} {self.keys[j]} {self.pitch[j] / self.pitch[i]!r}" if self.keys else ""
        return comparison(self.store if key else NO_STORE, self.reduced[i], self.reduced[j], key, make)


def find_pairs(
    reduced: Sequence[Reduced],
    features: Sequence[Features],
    pitch: Sequence[float],
    seed: int,
    pool: Executor,
    progress: Progress,
    in_colour: Callable[[], Sequence[Features]] | None = None,
    apart: frozenset[tuple[str, str]] = frozenset(),
    keys: Sequence[str] = (),
    store: Store = NO_STORE,
) -> Found:
    """Compare the scans; the links believed, and those in doubt.

    Up to a dozen scans every two are compared. Beyond, each with the partners that a cheap vote ranks first, and those
    left unlinked with all: work grows in step with the number of scans as long as they hang together.

    Parameters
    ----------
    pitch : size of each scan's reduced px, in any one unit common to all scans.
    seed : of the random trials, so that a run repeats itself.
    in_colour : makes the features that scans which do not hang together are compared by in the end: where relief is
        strong, turned scans share none in luminance.
    apart : every two scans, in the order of their names, that do not touch; they are never linked.
    keys : what each scan's features were made from, by which a comparison is kept in `store`.
    """
    whole = _Set(reduced, features, pitch, seed, apart, keys, store)
    names = [one.scan_id for one in reduced]
    first = _first_choice(reduced, features, pitch, pool)
    with progress.task("Comparing scans", len(first)) as task:
        pairs, doubts = _compared(whole.attempt, first, pool, task)
    pairs, doubts = _decided(whole, names, pairs, doubts)
    tried = set(first)
    second = _left_over(names, pairs, tried)
    if second:
        with progress.task("Comparing the scans left over", len(second)) as task:
            more, more_doubts = _compared(whole.attempt, second, pool, task)
        pairs, doubts = _decided(whole, names, pairs + more, doubts + more_doubts)
    third = _left_over(names, pairs, set()) if in_colour else []
    if third and in_colour:
        with progress.task("Comparing colours", len(third)) as task:
            more, more_doubts = _compared(replace(whole, features=in_colour(), way="colour").attempt, third, pool, task)
        pairs, doubts = _decided(whole, names, pairs + more, doubts + more_doubts)
    fourth = _left_over(names, pairs, set())
    if 0 < len(fourth) <= MOST_IN_TOOTH:
        with progress.task("Comparing the paper's tooth", len(fourth)) as task:
            more, more_doubts = _compared(whole.in_tooth, fourth, pool, task)
        pairs, doubts = _decided(whole, names, pairs + more, doubts + more_doubts)
    return Found(tuple(pairs), tuple(doubts), len(first) + len(second) + len(third))


def _first_choice(
    reduced: Sequence[Reduced], features: Sequence[Features], pitch: Sequence[float], pool: Executor
) -> list[tuple[int, int]]:
    count = len(reduced)
    if count <= ALL_PAIRS_UP_TO:
        return list(combinations(range(count), 2))
    ranked = votes.ranked(votes.sketches(features, [one.size for one in reduced]), pitch, pool)
    return sorted({(min(i, j), max(i, j)) for i, row in enumerate(ranked) for j in row[:PARTNERS]})


def _compared(
    attempt: Callable[[tuple[int, int]], Pair | Doubt | None],
    todo: Iterable[tuple[int, int]],
    pool: Executor,
    task: Task,
) -> tuple[list[Pair], list[Doubt]]:
    pairs: list[Pair] = []
    doubts: list[Doubt] = []
    for result in pool.map(attempt, todo):
        if isinstance(result, Pair):
            pairs.append(result)
        elif result is not None:
            doubts.append(result)
        task.advance()
    return pairs, doubts


def _decided(
    whole: _Set, names: Sequence[str], pairs: Sequence[Pair], doubts: Sequence[Doubt]
) -> tuple[list[Pair], list[Doubt]]:
    by_name = {one.scan_id: one for one in whole.reduced}
    pairs, doubts = without_repeats(pairs, doubts)
    return decide(names, pairs, doubts, by_name, dict(zip(names, whole.pitch, strict=True)))


def _left_over(names: Sequence[str], pairs: Sequence[Pair], tried: set[tuple[int, int]]) -> list[tuple[int, int]]:
    """Pairs not tried yet, between scans that do not hang together."""
    groups = graph.groups(names, [pair.scan_ids for pair in pairs])
    number = {name: k for k, group in enumerate(groups) for name in group}
    every = combinations(range(len(names)), 2)
    return [two for two in every if two not in tried and number[names[two[0]]] != number[names[two[1]]]]


def without_repeats(pairs: Sequence[Pair], doubts: Sequence[Doubt]) -> tuple[list[Pair], list[Doubt]]:
    """Where a pattern repeats strictly, a perfect fit proves nothing: pairs with rivals become doubts.

    It repeats strictly when any two scans fit perfectly at two places.
    """
    if not any(sum(fit.is_strict for fit in doubt.fits) > 1 for doubt in doubts):
        return list(pairs), list(doubts)
    sure = [pair for pair in pairs if not pair.rivals]
    unsure = [doubt_of((replace(pair, rivals=()), *pair.rivals)) for pair in pairs if pair.rivals]
    return sure, [*doubts, *unsure]
