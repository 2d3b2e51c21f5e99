"""What was measured of every overlap, and where its scans lay then."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np

from stitch.imaging.affine import FloatArray
from stitch.imaging.placed_map import PlacedMap
from stitch.register.overlap_patches import Pair
from stitch.register.patches import Measured
from stitch.register.plan import SPARSE_SIZES_PX, b_from_a
from stitch.register.remembered import NEARLY_PX

SEARCHES = 3.0  # a search finds the same place from anywhere within this fraction of its reach
STRETCHED_PX = 0.2  # of a side of a patch against its middle: more of it moves what the patch says
REACH_PX = max(SPARSE_SIZES_PX) / 2  # from the middle of a patch to its sides
SIDES_PX = ((REACH_PX, 0.0), (-REACH_PX, 0.0), (0.0, REACH_PX), (0.0, -REACH_PX))

Placed = Mapping[str, PlacedMap]


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """The patches of one overlap, the maps by which they were looked for, and how far off they were looked for."""

    measured: Measured
    placed: Placed
    search_px: int = 0

    def holds(self, now: Placed) -> bool:
        """Whether a look from where the patches lie now would find the same.

        A search makes up for patches that moved, but not for maps that stretched beneath them.
        """
        points = self.measured.points_a
        moved = self._moved(points, now)
        if np.abs(moved).max(initial=0.0) > max(NEARLY_PX, self.search_px / SEARCHES):
            return False
        stretched = [np.abs(self._moved(points + side, now) - moved).max(initial=0.0) for side in SIDES_PX]
        return max(stretched) <= STRETCHED_PX

    def _moved(self, points_a: FloatArray, now: Placed) -> FloatArray:
        """How far the place of the second scan under points of the first has moved, (n, 2)."""
        pair = self.measured.scan_a, self.measured.scan_b
        was, is_now = (b_from_a(maps[pair[0]], maps[pair[1]], points_a) for maps in (self.placed, now))
        return was - is_now


@dataclass(frozen=True, slots=True, eq=False)
class Looked:
    """The last look at every overlap."""

    found: Mapping[Pair, Look] = field(default_factory=dict)

    @property
    def measured(self) -> list[Measured]:
        """The patches, in the order of the scans' names."""
        return [self.found[pair].measured for pair in sorted(self.found)]

    def lacks(self, pairs: Iterable[Pair], now: Placed) -> list[Pair]:
        """Those of `pairs` that were not looked at, or whose patches lie elsewhere now."""
        return [pair for pair in pairs if pair not in self.found or not self.found[pair].holds(now)]

    def with_these(self, looks: Iterable[Look]) -> Looked:
        """With these looks, which replace earlier ones."""
        return Looked({**self.found, **{(one.measured.scan_a, one.measured.scan_b): one for one in looks}})

    def without(self, is_poor: Callable[[Measured], bool]) -> Looked:
        """Without the overlaps whose patches are poor."""
        return Looked({pair: look for pair, look in self.found.items() if not is_poor(look.measured)})
