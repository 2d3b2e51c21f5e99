"""The places along the seams that deserve to be looked at first."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from stitch.model.seams import SeamLine

JUST_VISIBLE_DE00 = 1.0  # a step that counts as one; common practice, no source
JUST_VISIBLE_PX = 0.33  # a misregistration that counts as one: the published 4-star limit for colour channels
APART_SHARE = 0.5  # spots start out this share of an even spread apart


@dataclass(frozen=True, slots=True)
class Spot:
    """One point of a seam."""

    scan_a: str
    scan_b: str
    x_px: float
    y_px: float
    step_de00: float
    misregistration_px: float | None

    @property
    def badness(self) -> float:
        """What the eye would notice first: step and misregistration, each in units of what is just visible."""
        return self.step_de00 / JUST_VISIBLE_DE00 + (self.misregistration_px or 0.0) / JUST_VISIBLE_PX


def worst_spots(lines: Sequence[SeamLine], count: int = 12) -> tuple[Spot, ...]:
    """Up to `count` worst points, worst first, spread out: none within a set distance of a worse one.

    The distance is half of an even spread over all seams, and halved until there are enough of them.
    """
    spots = sorted(_all_spots(lines), key=lambda spot: (-spot.badness, spot.y_px, spot.x_px))
    apart = APART_SHARE * sum(_length_px(line) for line in lines) / max(count, 1)
    chosen: list[Spot] = []
    while len(chosen) < min(count, len(spots)):
        chosen = _spread(spots, count, apart)
        if apart < 1.0:
            break
        apart /= 2
    return tuple(chosen)


def _all_spots(lines: Sequence[SeamLine]) -> list[Spot]:
    return [
        Spot(line.scan_a, line.scan_b, x, y, step, shift)
        for line in lines
        for (x, y), step, shift in zip(line.points_px, line.step_de00, line.misregistration_px, strict=True)
    ]


def _spread(spots: Sequence[Spot], count: int, apart_px: float) -> list[Spot]:
    chosen: list[Spot] = []
    for spot in spots:
        if all(math.hypot(spot.x_px - other.x_px, spot.y_px - other.y_px) >= apart_px for other in chosen):
            chosen.append(spot)
            if len(chosen) == count:
                break
    return chosen


def _length_px(line: SeamLine) -> float:
    return sum(math.dist(a, b) for a, b in zip(line.points_px, line.points_px[1:], strict=False))
