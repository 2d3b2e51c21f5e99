"""Scans that link to no other as they are, and do once they are mirrored: a scanner program can do that."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import replace

import numpy as np

from stitch.register.features import Features, detect
from stitch.register.pairs import Pair, try_pair
from stitch.register.reduced import Reduced


def mirrored_scans(
    reduced: Mapping[str, Reduced],
    group: Sequence[str],
    lost: Sequence[str],
    steps_px: Mapping[str, float],
    pool: Executor,
    *,
    seed: int = 0,
) -> dict[str, Pair]:
    """Which of the lost scans link to one of the group once they are mirrored left to right, and how.

    Where the group is a single scan, the scans are tried mirrored against that one. steps_px : nominal px of a px of
    each small copy.
    """
    if not lost:
        return {}
    flipped = {n: replace(reduced[n], codes=np.ascontiguousarray(reduced[n].codes[:, ::-1])) for n in lost}
    names = [*group, *lost]
    made = pool.map(lambda one: detect(one), [*(reduced[n] for n in group), *flipped.values()])
    features: dict[str, Features] = dict(zip(names, made, strict=True))

    def link_to_group(name: str) -> Pair | None:
        rng = np.random.default_rng((seed, names.index(name)))
        for other in group:
            scale = steps_px[name] / steps_px[other]
            pair = try_pair(reduced[other], flipped[name], features[other], features[name], scale, rng)
            if isinstance(pair, Pair):
                return pair
        return None

    linked = zip(lost, pool.map(link_to_group, lost), strict=True)
    return {name: pair for name, pair in linked if pair is not None}
