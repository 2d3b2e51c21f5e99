"""How near the painting's edges lie to the edges of the glass."""

from __future__ import annotations

from stitch.model.plan import ScanPlan


def rim_mm(plan: ScanPlan) -> float:
    """The least room that a scan leaves around an edge of the painting that it shows; 0: flush."""
    rooms = []
    for scan in plan.scans:
        if scan.row == 1:
            rooms.append(-scan.y_mm)
        if scan.row == plan.rows:
            rooms.append(scan.y_mm + scan.height_mm - plan.painting_height_mm)
        if scan.column == 1:
            rooms.append(-scan.x_mm)
        if scan.column == plan.columns:
            rooms.append(scan.x_mm + scan.width_mm - plan.painting_width_mm)
    return min(rooms)
