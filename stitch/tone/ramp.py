"""How much the gains rise over the whole painting: what a sloping light over the bed would have left there."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from stitch.imaging.affine import FloatArray, apply, corners
from stitch.imaging.placed_map import PlacedMap
from stitch.model.geometry import Size

FLAT_RANK = 0.05  # of the widest spread of the scans: across a narrower one nothing is fitted


def gain_slope_percent(gains: FloatArray, placed: Sequence[PlacedMap], canvas: Size) -> float:
    """Rise of the plane through the log gains (scan_count, 3) over the canvas, %, of the channel where it is steepest.

    Scans in one line give the rise along it.
    """
    size = np.array([canvas.width_px, canvas.height_px], dtype=np.float64)
    middles = [
        apply(one.canvas_from_straight, corners(one.size.width_px, one.size.height_px)).mean(axis=0) for one in placed
    ]
    terms = np.array(middles) / size
    terms -= terms.mean(axis=0)
    logs = np.log(gains)
    plane = np.linalg.lstsq(terms, logs - logs.mean(axis=0), rcond=FLAT_RANK)[0]
    return 100 * float(np.expm1(np.hypot(*plane).max()))
