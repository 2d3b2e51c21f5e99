"""How each piece lay on the glass against most others."""

from __future__ import annotations

from stitch.imaging.affine import nearest_turn_deg
from stitch.model.layout import Layout

TURN_WORDS = {
    90: "by a quarter (clockwise in the scan)",
    180: "half around",
    270: "by a quarter (counter-clockwise in the scan)",
}


def turns_on_glass(layout: Layout) -> dict[str, int]:
    """How far each piece lay turned on the glass against most others, degrees clockwise: 0, 90, 180 or 270.

    The canvas is laid the way most lay, then turned as asked.
    """
    return {one.scan_id: (layout.up_deg - nearest_turn_deg(one.matrix)) % 360 for one in layout.placements}
