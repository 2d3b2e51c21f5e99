"""What only looks like dust in a finished picture, and is not proven already."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from stitch.dust.contrast import margin_px
from stitch.dust.looks import Look, find_looks, lonely
from stitch.dust.shapes import REACH_MM
from stitch.imaging.affine import px_from_mm
from stitch.imaging.at_once import at_once, each_block
from stitch.imaging.spots import Capsule
from stitch.model.geometry import Window
from stitch.pipeline.derived import Original
from stitch.progress import Progress

BYTES_A_PX = 80  # of a block with its margin, while it is looked at
TOUCHES_PX = 2


def proposed(original: Original, proven: Sequence[Capsule], free_mb: float, progress: Progress) -> list[Capsule]:
    """Places in px of the picture. `free_mb` : memory that may be taken."""
    size, ppi = original.size, original.ppi
    margin = margin_px(ppi) + round(px_from_mm(REACH_MM, ppi))
    how = at_once(free_mb, margin, lambda side: BYTES_A_PX * (side + 2 * margin) ** 2)

    def in_block(block: Window) -> list[Look]:
        around = block.grown(margin).clipped(size)
        return find_looks(original.source.read(around), around, block, ppi)

    with progress.task("Looking for specks", size.megapixels) as task:
        looks = list(chain.from_iterable(each_block(size.window(), how, in_block, task)))
    known = _Known.of(proven)
    unproven = [look for look in looks if not any(known.touches(place) for place in look.places)]
    return [place for look in lonely(unproven, ppi) for place in look.places]


@dataclass(frozen=True, slots=True, eq=False)
class _Known:
    """Places that are proven: middles (n, 2), and how far they reach from there."""

    middles: NDArray[np.float64]
    reaches: NDArray[np.float64]

    @classmethod
    def of(cls, places: Sequence[Capsule]) -> _Known:
        middles = np.array([(one.x, one.y) for one in places]).reshape(-1, 2)
        return cls(middles, np.array([(one.length + one.width) / 2 for one in places]))

    def touches(self, place: Capsule) -> bool:
        far = np.hypot(self.middles[:, 0] - place.x, self.middles[:, 1] - place.y)
        return bool((far < self.reaches + (place.length + place.width) / 2 + TOUCHES_PX).any())
