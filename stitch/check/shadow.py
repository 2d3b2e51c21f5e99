"""Shadows along an edge of one scan, as a half-closed lid throws them: its neighbour shows the same paint lighter."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from stitch.check.compare import LEAST_CELLS, Shared
from stitch.check.exposure import Exposure
from stitch.check.focus import SIDES, border, runs_along
from stitch.model.geometry import Size

SHADOW_LOG = float(np.log(0.82))  # fall-off and sheets that lift a little stay within a tenth
MOST_OF_THEM = 0.75  # of the outermost cells are at least half as dark: a shadow is all along, relief and edges are not
OUTER_SHARE = 0.4  # of the cells of a side, those nearest to the border


@dataclass(frozen=True, slots=True)
class ShadowedEdge:
    """A side of one scan along which it is darker than its neighbour, though not elsewhere."""

    scan_id: str
    side: str  # of the scan as it is shown
    light: float  # factor against the neighbour's, 1 is alike


def shadowed_edges(
    shared: Sequence[Shared], light: Sequence[Exposure], sizes: Mapping[str, Size]
) -> list[ShadowedEdge]:
    """Sides whose outermost cells are dark once the scans' own exposures are taken out."""
    level = {one.scan_id: float(np.log(one.light)) for one in light}
    found: dict[tuple[str, str], float] = {}
    for pair in shared:
        if pair.scan_a not in level or pair.scan_b not in level:
            continue
        grey = pair.light.mean(axis=1) - (level[pair.scan_a] - level[pair.scan_b])
        near_a, side_a = border(pair.light_at_a, sizes[pair.scan_a])
        near_b, side_b = border(pair.light_at_b, sizes[pair.scan_b])
        for name, dark, near, sides, mine, at in (
            (pair.scan_a, grey, near_a, side_a, near_a < near_b, pair.light_at_a),
            (pair.scan_b, -grey, near_b, side_b, near_b < near_a, pair.light_at_b),
        ):
            for number, side in enumerate(SIDES):
                here = mine & (sides == number)
                if here.sum() < 2 * LEAST_CELLS:
                    continue
                outer = here & (near <= np.quantile(near[here], OUTER_SHARE))
                darkness, lighter = (float(value) for value in np.quantile(dark[outer], (0.5, MOST_OF_THEM)))
                if not runs_along(at[outer], number, sizes[name]):
                    continue
                if darkness < SHADOW_LOG and lighter < SHADOW_LOG / 2:
                    found[name, side] = min(darkness, found.get((name, side), 0.0))
    return [ShadowedEdge(name, side, float(np.exp(darkness))) for (name, side), darkness in found.items()]
