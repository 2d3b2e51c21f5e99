"""Where a pattern repeats, scans fit each other in several ways; in a check a plan may say which of them it was.

A join does not go by it: there a plan is a hint, and decides nothing.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from stitch.check.positions import Matched
from stitch.model.plan import ScanPlan
from stitch.pipeline.against_plan import open_pieces
from stitch.pipeline.fitted import mm_from_lost, off_piece_mm
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
    for lost in (name for name in rough.lost if name not in rough.mirrored):
        best: tuple[float, Pair] | None = None
        for pair in (pair for doubt in rough.doubts for pair in doubt.fits):
            matrix = mm_from_lost(lost, pair, laid, reduced)
            if matrix is None:
                continue
            off = min((off_piece_mm(matrix, reduced[lost], piece, fit) for piece in pieces), default=np.inf)
            if off < NEAR_MM and (best is None or off < best[0]):
                best = off, pair
        if best is not None:
            found.append(best[1])
    return tuple(found)
