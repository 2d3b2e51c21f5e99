"""Where a pattern repeats, scans fit each other in several ways; in a check a plan may say which of them it was.

A join does not go by it: there a plan is a hint, and decides nothing.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from stitch.check.positions import Matched, middle_of, turned
from stitch.imaging.affine import FloatArray, apply, compose, invert
from stitch.model.plan import PlannedScan, ScanPlan
from stitch.pipeline.against_plan import open_pieces
from stitch.pipeline.laying import Laid
from stitch.register.pairs import Pair
from stitch.register.reduced import Reduced
from stitch.register.rough import Rough

NEAR_MM = 8.0  # hands and the outline's own error; patterns repeat at more


def chosen_by_plan(
    rough: Rough, laid: Laid, fit: Matched, plan: ScanPlan, reduced: Mapping[str, Reduced]
) -> tuple[Pair, ...]:
    """For each scan left over in doubt, the fit that lays it on an open piece of the plan; none where none does."""
    pieces = open_pieces(laid, fit, plan)
    found = []
    for lost in rough.lost:
        best: tuple[float, Pair] | None = None
        for pair in (pair for doubt in rough.doubts for pair in doubt.fits):
            matrix = _mm_from_lost(lost, pair, laid, reduced)
            if matrix is None:
                continue
            off = min((_off_mm(matrix, reduced[lost], piece, fit) for piece in pieces), default=np.inf)
            if off < NEAR_MM and (best is None or off < best[0]):
                best = off, pair
        if best is not None:
            found.append(best[1])
    return tuple(found)


def _mm_from_lost(lost: str, pair: Pair, laid: Laid, reduced: Mapping[str, Reduced]) -> FloatArray | None:
    """Where a fit with a placed scan lays the lost one: mm from px of its small copy."""
    a, b = pair.scan_ids
    other, other_from_lost = (a, pair.candidate.a_from_b) if lost == b else (b, invert(pair.candidate.a_from_b))
    if lost not in (a, b) or other not in laid.mm_from_scan:
        return None
    return compose(compose(laid.mm_from_scan[other], reduced[other].scan_from_reduced), other_from_lost)


def _off_mm(mm_from_reduced: FloatArray, lost: Reduced, piece: PlannedScan, fit: Matched) -> float:
    centre = np.array([(lost.size.width_px - 1) / 2, (lost.size.height_px - 1) / 2])
    middle = turned(apply(mm_from_reduced, centre), fit.turn_deg) + np.array(fit.shift_mm)
    return float(np.hypot(*(middle - middle_of(piece))))
