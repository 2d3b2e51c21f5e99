"""How each piece lay on the glass against most others."""

from __future__ import annotations

from stitch.imaging.affine import nearest_turn_deg, usual_turn_deg
from stitch.model.layout import Layout

TURN_WORDS = {
    90: "by a quarter (clockwise in the scan)",
    180: "half around",
    270: "by a quarter (counter-clockwise in the scan)",
}


def turns_on_glass(layout: Layout) -> dict[str, int]:
    """How far each piece lay turned on the glass against most others, degrees clockwise: 0, 90, 180 or 270."""
    maps = {placement.scan_id: placement.matrix for placement in layout.placements}
    if not maps:
        return {}
    usual = usual_turn_deg(maps.values())
    return {name: (usual - nearest_turn_deg(matrix)) % 360 for name, matrix in maps.items()}
