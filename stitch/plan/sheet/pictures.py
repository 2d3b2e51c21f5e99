"""The pictures on the sheet: the painting's back with its pieces, and how it lies on the bed for one scan."""

from __future__ import annotations

from stitch.model.plan import Hinge, PlannedScan, ScanPlan
from stitch.plan.lying import Rect, lying_of, lying_size
from stitch.plan.sheet.pen import BOLD_MM, GREY, HAIR_MM, PALE, PT_PER_MM, WHITE, Pen

TURNED_FILL, OVERLAP_FILL, BED_FILL = 0.95, 0.8, 0.9
NUMBER_PT = (5.0, 15.0)
OUTLINE_MM = 1.1  # of the first scan's piece, as an example
LEAST_ARROW_MM = 1.5
LEAST_OWN_MM = 4.0  # a number goes into what one scan alone shows where that is larger


def draw_painting(pen: Pen, plan: ScanPlan, box: Rect) -> Rect:
    """The painting's back as it lies for the first scan, with all pieces, as large as `box` lets it; where it came."""
    turn_deg = plan.scans[0].turn_deg
    sheet = fitted(*lying_size(plan.painting_width_mm, plan.painting_height_mm, turn_deg), box)
    scale = sheet.width / lying_size(plan.painting_width_mm, plan.painting_height_mm, turn_deg)[0]
    pieces = {scan.number: _piece(plan, scan, sheet, scale) for scan in plan.scans}
    pen.rect(sheet, fill=WHITE, stroke=None)
    for scan in plan.scans:
        if scan.turn_deg != turn_deg:
            pen.rect(pieces[scan.number], fill=TURNED_FILL, stroke=None)
    _overlaps(pen, plan, pieces)
    for piece in pieces.values():
        pen.rect(piece, stroke=GREY, width=HAIR_MM)
    pen.rect(sheet, width=BOLD_MM)
    pen.rect(pieces[1], width=OUTLINE_MM)
    alone = {
        scan.number: _alone(pieces[scan.number], [pieces[one.number] for one in scan.shares]) for scan in plan.scans
    }
    room = 0.45 * min(min(own.width, own.height) for own in alone.values())
    pt = min(NUMBER_PT[1], max(NUMBER_PT[0], room * PT_PER_MM))
    for scan in plan.scans:
        _number(pen, scan.number, alone[scan.number], pt, is_turned=scan.turn_deg != turn_deg)
    return sheet


def draw_lying(pen: Pen, plan: ScanPlan, scan: PlannedScan, box: Rect) -> None:
    """The bed from above, and the painting on it for one scan: her front is at the foot."""
    bed, (across, down) = plan.bed, lying_size(plan.painting_width_mm, plan.painting_height_mm, scan.turn_deg)
    left, far = min(0.0, scan.left_mm), min(0.0, scan.far_mm)
    right, near = max(bed.width_mm, scan.left_mm + across), max(bed.height_mm, scan.far_mm + down)
    place = fitted(right - left, near - far, box)
    scale = place.width / (right - left)

    def shown(x: float, y: float, width: float, height: float) -> Rect:
        return Rect(place.x + (x - left) * scale, place.y + (y - far) * scale, width * scale, height * scale)

    glass, painting = shown(0, 0, bed.width_mm, bed.height_mm), shown(scan.left_mm, scan.far_mm, across, down)
    pen.rect(painting, fill=WHITE, stroke=GREY, width=HAIR_MM)
    pen.rect(_common(glass, painting), fill=OVERLAP_FILL, stroke=None)
    pen.rect(glass, width=0.5)
    pen.rect(painting, stroke=GREY, width=HAIR_MM)
    draw_hinge(pen, bed.hinge, glass)
    seen = _common(glass, painting)
    length = min(5.0, 0.7 * min(seen.width, seen.height))
    if length >= LEAST_ARROW_MM:
        pen.arrow(seen.x + seen.width / 2, seen.y + seen.height / 2, length, scan.turn_deg)


def draw_hinge(pen: Pen, hinge: Hinge, glass: Rect) -> None:
    """A heavy line along the hinge's side of the bed."""
    ends = {
        Hinge.TOP: (glass.x, glass.y, glass.right, glass.y),
        Hinge.LEFT: (glass.x, glass.y, glass.x, glass.bottom),
        Hinge.RIGHT: (glass.right, glass.y, glass.right, glass.bottom),
    }
    if hinge in ends:
        pen.line(*ends[hinge], width=1.0)


def fitted(width: float, height: float, box: Rect) -> Rect:
    """The largest rectangle of that shape in the middle of a box."""
    scale = min(box.width / width, box.height / height)
    wide, high = width * scale, height * scale
    return Rect(box.x + (box.width - wide) / 2, box.y + (box.height - high) / 2, wide, high)


def _piece(plan: ScanPlan, scan: PlannedScan, sheet: Rect, scale: float) -> Rect:
    front = Rect(scan.x_mm, scan.y_mm, scan.width_mm, scan.height_mm)
    lying = lying_of(front, plan.painting_width_mm, plan.painting_height_mm, plan.scans[0].turn_deg)
    drawn = Rect(sheet.x + lying.x * scale, sheet.y + lying.y * scale, lying.width * scale, lying.height * scale)
    return _common(drawn, sheet)


def _overlaps(pen: Pen, plan: ScanPlan, pieces: dict[int, Rect]) -> None:
    for scan in plan.scans:
        for other in scan.shares:
            if other.number > scan.number:
                pen.rect(_common(pieces[scan.number], pieces[other.number]), fill=OVERLAP_FILL, stroke=None)


def _alone(piece: Rect, neighbours: list[Rect]) -> Rect:
    """What no neighbour shows, as far as it leaves room for a number."""
    x0, y0, x1, y1 = piece.x, piece.y, piece.right, piece.bottom
    for other in neighbours:
        if abs(other.y - piece.y) < abs(other.x - piece.x):
            x0, x1 = (max(x0, other.right), x1) if other.x < piece.x else (x0, min(x1, other.x))
        else:
            y0, y1 = (max(y0, other.bottom), y1) if other.y < piece.y else (y0, min(y1, other.y))
    if x1 - x0 < LEAST_OWN_MM:
        x0, x1 = piece.x, piece.right
    if y1 - y0 < LEAST_OWN_MM:
        y0, y1 = piece.y, piece.bottom
    return Rect(x0, y0, x1 - x0, y1 - y0)


def _number(pen: Pen, number: int, own: Rect, pt: float, *, is_turned: bool) -> None:
    x, y = own.x + own.width / 2, own.y + own.height / 2
    pen.disc(x, y, 0.95 * pt / PT_PER_MM, fill=PALE if is_turned else WHITE)
    pen.text(x, y + 0.36 * pt / PT_PER_MM, str(number), pt=pt, is_bold=True, at=0.5)


def _common(one: Rect, other: Rect) -> Rect:
    x, y = max(one.x, other.x), max(one.y, other.y)
    return Rect(x, y, max(0.0, min(one.right, other.right) - x), max(0.0, min(one.bottom, other.bottom) - y))
