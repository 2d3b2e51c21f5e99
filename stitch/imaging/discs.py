"""What lies on the glass, as discs on a scan."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from stitch.imaging.affine import MM_PER_INCH, FloatArray
from stitch.model.bed import GlassSpeck

AROUND_MM = 0.35  # left out around a speck, for the blur


def glass_discs_px(specks: Sequence[GlassSpeck], ppi: float) -> FloatArray:
    """Discs that cover specks and a little around them, in a scan of resolution `ppi`.

    Shape (n, 3): x, y and radius in scan px. A hair takes several.
    """
    scale = ppi / MM_PER_INCH
    rows = []
    for speck in specks:
        radius = speck.size_mm / 2 + AROUND_MM
        count = 1 + math.ceil(speck.length_mm / radius)
        turn = math.radians(speck.angle_deg)
        for along in np.linspace(-0.5, 0.5, count) * speck.length_mm if count > 1 else (0.0,):
            x, y = speck.x_mm + along * math.cos(turn), speck.y_mm + along * math.sin(turn)
            rows.append((x * scale - 0.5, y * scale - 0.5, radius * scale))
    return np.array(rows, dtype=np.float64).reshape(-1, 3)
