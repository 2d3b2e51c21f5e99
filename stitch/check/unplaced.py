"""Fine detail of scans that found no place: held against all the others, since nothing shows the same paint."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from stitch.check.focus import SHARPENED_LOG, SOFT_LOG
from stitch.check.look import Look

BUSY_PERCENTILE = 75.0  # of a scan's cells, by their detail: the lid and plain paint lie below
BEYOND_LOG = 0.5  # outside of what the placed scans show among themselves
LEAST_PLACED = 3


def unlike_detail(looks: Mapping[str, Look], placed: Sequence[str], lost: Sequence[str]) -> dict[str, float]:
    """Log of each lost scan's detail against the placed ones' median, where it lies well outside of all of theirs."""
    if len(placed) < LEAST_PLACED:
        return {}
    usual = np.array([_busy(looks[name]) for name in placed])
    found = {}
    for name in lost:
        level = _busy(looks[name])
        over = level - float(np.median(usual))
        is_more = over > SHARPENED_LOG and level > usual.max() + BEYOND_LOG
        is_less = over < SOFT_LOG and level < usual.min() - BEYOND_LOG
        if is_more or is_less:
            found[name] = over
    return found


def _busy(look: Look) -> float:
    return float(np.log(max(np.percentile(look.detail, BUSY_PERCENTILE), look.noise)))
