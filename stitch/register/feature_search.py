"""Features of every scan's small copy, found again where they are kept, and the pairs that they link."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray

from stitch.model.store import NO_STORE, Store
from stitch.progress import Progress
from stitch.register import recall
from stitch.register.features import Features, detect, detect_in_colour, feature_count, without_fixed
from stitch.register.reduced import Reduced
from stitch.register.search import Found, find_pairs


class FeatureSearch:
    """The small copies of all scans, without what lies on the glass."""

    def __init__(
        self, cleaned: Mapping[str, Reduced], masks: Mapping[str, NDArray[np.bool_]], store: Store, jobs: int
    ) -> None:
        """`masks` : what of each copy is glass, (h, w); `jobs` : threads that search for features."""
        self._cleaned, self._masks, self._store, self._jobs = cleaned, masks, store, jobs
        self._keys: dict[str, str] = {}
        if store is not NO_STORE:
            self._keys = {name: recall.digest(cleaned[name].codes, masks[name]) for name in cleaned}

    def pairs(
        self,
        steps_px: Sequence[float],
        seed: int,
        pool: Executor,
        progress: Progress,
        apart: frozenset[tuple[str, str]],
    ) -> Found:
        """The pairs that link, and those in doubt. `steps_px` : nominal px of a px of each copy."""
        return find_pairs(
            list(self._cleaned.values()),
            self._found_by(detect),
            steps_px,
            seed,
            pool,
            progress,
            lambda: self._found_by(detect_in_colour),
            apart,
            list(self._keys.values()),
            self._store,
        )

    def _found_by(self, look: Callable[[Reduced, int], Features]) -> list[Features]:
        count = feature_count(len(self._cleaned))

        def one(name: str) -> Features:
            key = f"{look.__name__} {count} {self._keys.get(name, '')}"
            return recall.features(
                self._store, key, name, lambda: without_fixed(look(self._cleaned[name], count), self._masks[name])
            )

        with ThreadPoolExecutor(self._jobs) as pool:
            return list(pool.map(one, self._cleaned))
