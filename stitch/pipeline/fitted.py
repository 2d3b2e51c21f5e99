"""Where a fit with a placed scan lays one that has no place, and how far that is from a piece of the plan."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from stitch.check.positions import Matched, middle_of, turned
from stitch.imaging.affine import FloatArray, apply, compose, invert
from stitch.model.plan import PlannedScan
from stitch.pipeline.laying import Laid
from stitch.register.pairs import Pair
from stitch.register.reduced import Reduced


def mm_from_lost(lost: str, pair: Pair, laid: Laid, reduced: Mapping[str, Reduced]) -> FloatArray | None:
    """Where a fit with a placed scan lays the lost one: mm from px of its small copy; None when neither is placed."""
    a, b = pair.scan_ids
    other, other_from_lost = (a, pair.candidate.a_from_b) if lost == b else (b, invert(pair.candidate.a_from_b))
    if lost not in (a, b) or other not in laid.mm_from_scan:
        return None
    return compose(compose(laid.mm_from_scan[other], reduced[other].scan_from_reduced), other_from_lost)


def off_piece_mm(mm_from_reduced: FloatArray, lost: Reduced, piece: PlannedScan, fit: Matched) -> float:
    """How far the scan's middle lies from the planned one's; mirroring a scan does not move it."""
    centre = np.array([(lost.size.width_px - 1) / 2, (lost.size.height_px - 1) / 2])
    middle = turned(apply(mm_from_reduced, centre), fit.turn_deg) + np.array(fit.shift_mm)
    return float(np.hypot(*(middle - middle_of(piece))))
