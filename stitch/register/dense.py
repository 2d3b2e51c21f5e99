"""Patches close together all over an overlap, from which local corrections are solved."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from stitch.imaging.affine import px_from_mm
from stitch.imaging.placed_map import PlacedMap
from stitch.register.patches import MOST_SHIFT_PX, Measured
from stitch.register.plan import Grain, b_from_a

STEP_MM, STEP_PX = 3.2, 24  # between patches along the pass: the coarser of the two
FIRST_TIMES = 1.5  # as far apart are they in the first pass
LOST_SHARE = 0.05  # of an overlap's patches: with more lost it is measured again by a search that no thread misleads


def dense_grains(ppi: float, wider: float) -> tuple[Grain, Grain, Grain]:
    """How overlaps are measured first, where the first solve puts them, and where that was not enough.

    First coarsely with a wide search, where both scans show all; then over the borders, too, with a search that still
    sees past the next thread of a canvas, which a patch would else lock on to; last without a search. Patches lie close
    along the pass, where shifts change fast, and across it as far apart as the knots there allow (`wider` than usual).
    """
    along = max(STEP_PX, round(px_from_mm(STEP_MM, ppi)))
    size, step = max(48, 2 * round(0.7 * along)), (round(wider * along), along)
    first = (round(FIRST_TIMES * step[0]), round(FIRST_TIMES * step[1]))
    return (
        Grain(14, max(64, size), first),
        Grain(6, size, step, least_seen=0.35),
        Grain(0, size, step, least_seen=0.35),
    )


def is_lossy(measured: Measured) -> bool:
    """Whether many of an overlap's patches could not be told, as where canvas threads all look alike."""
    return measured.count < (1 - LOST_SHARE) * measured.offered_count


def without_rim(measured: Measured) -> Measured:
    """The patches well inside the overlap: what others found at its rim has to be looked at from a better place."""
    return measured.only(~measured.is_at_rim)


def where_it_led(measured: Measured, placed: dict[str, PlacedMap]) -> Measured:
    """The patches that lie where the solve put them; the others are held against the overlap.

    A search that goes no further finds nothing else there.
    """
    led_to = b_from_a(placed[measured.scan_a], placed[measured.scan_b], measured.points_a)
    is_there = np.asarray((np.abs(led_to - measured.points_b) < MOST_SHIFT_PX).all(axis=1))
    elsewhere_count = int((~is_there).sum())
    return replace(measured.only(is_there), contrary_count=measured.contrary_count + elsewhere_count)
