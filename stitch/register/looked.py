"""What was measured of every overlap, and where its scans lay then."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from stitch.imaging.placed_map import PlacedMap
from stitch.register.overlap_patches import Pair
from stitch.register.patches import Measured
from stitch.register.plan import b_from_a
from stitch.register.remembered import NEARLY_PX

Placed = Mapping[str, PlacedMap]


@dataclass(frozen=True, slots=True, eq=False)
class Looked:
    """The last patches of every overlap, and the maps by which they were looked for."""

    found: Mapping[Pair, tuple[Measured, Placed]] = field(default_factory=dict)

    @property
    def measured(self) -> list[Measured]:
        """The patches, in the order of the scans' names."""
        return [self.found[pair][0] for pair in sorted(self.found)]

    def lacks(self, pairs: Iterable[Pair], now: Placed) -> list[Pair]:
        """Those of `pairs` that were not looked at, or whose patches lie elsewhere now."""
        return [pair for pair in pairs if pair not in self.found or moved_px(*self.found[pair], now) > NEARLY_PX]

    def with_these(self, measured: Sequence[Measured], placed: Placed) -> Looked:
        """With overlaps that were looked at by the maps `placed`."""
        return Looked({**self.found, **{(one.scan_a, one.scan_b): (one, placed) for one in measured}})

    def without(self, is_poor: Callable[[Measured], bool]) -> Looked:
        """Without the overlaps whose patches are poor."""
        return Looked({pair: one for pair, one in self.found.items() if not is_poor(one[0])})


def moved_px(measured: Measured, before: Placed, now: Placed) -> float:
    """How far the place of the second scan under the patches of the first has moved, at most; 0 without patches."""
    was, is_now = (b_from_a(maps[measured.scan_a], maps[measured.scan_b], measured.points_a) for maps in (before, now))
    return float(np.abs(was - is_now).max(initial=0.0))
