"""How far apart two scans are expected to lie over their overlap, and how likely each scan is where it belongs.

Constants were fitted on simulated scans (oil, watercolour, impasto, ornament, dust, turned pieces, wobble, sag); what
they promise is held against the truth of other seeds by `scripts/score_table.py --table desk`, which prints both.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from stitch.imaging.affine import FloatArray
from stitch.model.layout import Link

STATISTICAL = 1.25  # times what the solve's own covariance says
UNEXPLAINED = 0.25  # of the typical held-out distance: most of it is the held-out patch's own noise
FLOOR_PX = 0.003  # systematic: interpolation, light, a scan's own noise in its features
CORRECTED = 1.25  # times the typical held-out distance, where local corrections were needed
UNSURE = 0.5  # times what the corrections' own covariance says: it takes the patches' noise for larger than it is
BOUND = 2.0  # times the expected rms: not exceeded by 95 in 100 links
OWN_WEIGHT = 8.0  # held-out patches of all overlaps together that weigh as much as a link's own
MOST_SURE = 1 - 1 / 3000  # no trial supports more


def typical_px(held_out_px: Mapping[tuple[str, str], FloatArray]) -> dict[tuple[str, str], float]:
    """Median held-out distance of every overlap, drawn towards that of all overlaps where it has few patches."""
    everything = np.concatenate([*held_out_px.values(), np.zeros(0)])
    common = float(np.median(everything)) if len(everything) else 0.0
    found = {}
    for key, distances in held_out_px.items():
        own = float(np.median(distances)) if len(distances) else 0.0
        count = len(distances)
        found[key] = math.sqrt((count * own**2 + OWN_WEIGHT * common**2) / (count + OWN_WEIGHT))
    return found


def expected_px(statistical_px: float, typical: float, *, is_corrected: bool) -> float:
    """Expected rms distance over an overlap.

    `statistical_px` : rms of what the solve leaves uncertain there; `typical` : of the held-out distances.
    """
    if is_corrected:
        return math.hypot(CORRECTED * typical, FLOOR_PX)
    return math.hypot(STATISTICAL * statistical_px, UNEXPLAINED * typical, FLOOR_PX)


def scan_probability(scan_id: str, links: Sequence[Link]) -> float | None:
    """Probability that a scan is where it belongs: that one of its links is right, were they independent."""
    own = [link.probability for link in links if scan_id in (link.scan_a, link.scan_b) and link.probability is not None]
    if not own:
        return None
    return min(MOST_SURE, 1.0 - math.prod(1.0 - p for p in own))
