"""The pages of the sheet: the whole painting, scan after scan, and what to mind."""

from __future__ import annotations

from stitch.model.plan import Hinge, PlannedScan, ScanPlan
from stitch.plan import words
from stitch.plan.lying import Rect
from stitch.plan.overlap import HAND_MM
from stitch.plan.rim import rim_mm
from stitch.plan.sheet import cautions
from stitch.plan.sheet.paper import Paper
from stitch.plan.sheet.pen import GREY, HAIR_MM, LINE_MM, PALE, WHITE, Pen
from stitch.plan.sheet.pictures import draw_lying, draw_painting

BORDER_MM = 16.0
ROW_MM = 17.0
CAUTIONS_MM = 112.0  # the room they take on a page, at most
BOX_MM = 5.0  # of a tick
RULE_MM, RULE_INCHES = 100, 4
SEEN = "This is the back of the painting as it lies on the glass, seen from above, from the front of the scanner."
HOW_TO_READ = (
    "The picture is the bed from above: shaded is what is scanned, the arrow points to the painting's top. “Over”: the "
    "painting's edge hangs over the bed's edge by this much; “inside”: it lies this far in. “Front”: where the piece "
    "is in the painting as it hangs."
)
COLUMNS = {"number": 9.0, "picture": 19.0, "way": 49.0, "left": 88.0, "far": 119.0, "shares": 150.0}


def draw_sheet(plan: ScanPlan, paper: Paper) -> bytes:
    """The sheet as PDF; the same plan gives the same bytes."""
    pen = Pen(paper, f"Placement sheet: {plan.title}" if plan.title else "Placement sheet")
    _front_page(pen, plan)
    pen.next_page()
    y = _scans(pen, plan)
    if y + CAUTIONS_MM > pen.height - BORDER_MM:
        pen.next_page()
        y = BORDER_MM + 4
    _cautions(pen, y)
    return pen.finished()


def _front_page(pen: Pen, plan: ScanPlan) -> None:
    y = _heading(pen, plan)
    face_down = f"Face down, {words.way_up(plan.scans[0].turn_deg)}"
    y = pen.paragraph(BORDER_MM, y + 4, _wide(pen), face_down, pt=13, is_bold=True)
    y = pen.paragraph(BORDER_MM, y, _wide(pen), SEEN, pt=10)
    foot = pen.height - BORDER_MM - 20
    notes = _notes(plan)
    foot -= 5.5 * len(notes)
    top = y + 5
    sheet = draw_painting(pen, plan, Rect(BORDER_MM + 14, top, _wide(pen) - 28, foot - top - 8))
    _top_mark(pen, plan.scans[0].turn_deg, sheet)
    y = foot
    for note in notes:
        y = pen.paragraph(BORDER_MM, y, _wide(pen), note, pt=10)
    _rule(pen, pen.height - BORDER_MM - 8)


def _heading(pen: Pen, plan: ScanPlan) -> float:
    pen.text(BORDER_MM, BORDER_MM + 6, plan.title or "Placement sheet", pt=22, is_bold=True)
    painting = (plan.painting_width_mm, plan.painting_height_mm)
    bed = words.size(plan.bed.width_mm, plan.bed.height_mm)
    facts = (
        f"Painting {words.size(*painting)} ({words.size_in_inches(*painting)}), bed {bed}: "
        f"{len(plan.scans)} scans at {plan.dpi:g} dpi, {plan.bits} bits"
    )
    return pen.paragraph(BORDER_MM, BORDER_MM + 13, _wide(pen), facts, pt=10, grey=GREY)


def _notes(plan: ScanPlan) -> list[str]:
    notes = [
        "Grey strips are in two scans or more. The heavy outline is what scan 1 takes in.",
        "Go by the numbers: each scan lies next to the one before, as far as can be.",
    ]
    if plan.has_turned:
        turned = [scan.number for scan in plan.scans if scan.turn_deg != plan.scans[0].turn_deg]
        notes.append(f"From scan {turned[0]} on the painting lies turned half around: those with a grey number.")
        notes.append("Raised paint is lit from the other side in those: for such work, plan without turns.")
    open_from = next((scan.number for scan in plan.scans if scan.needs_lid_off), None)
    if open_from is not None:
        notes.append(f"Before scan {open_from} take the lid off: the painting hangs over the hinge. It may stay off.")
    if rim_mm(plan) < HAND_MM:
        notes.append("Some edges of the painting lie at the very edge of the glass. Lay those with care.")
    return notes


def _top_mark(pen: Pen, turn_deg: int, sheet: Rect) -> None:
    """An arrow beside the picture that points to the painting's top."""
    if turn_deg == 0:
        x, y = sheet.x - 8, sheet.y + 9
        pen.arrow(x, y, 14, turn_deg)
        pen.text(x, y + 12, "top", pt=9, at=0.5)
    else:
        x, y = sheet.right - 9, sheet.y - 4
        pen.arrow(x, y, 14, turn_deg)
        pen.text(x - 9, y + 1, "top", pt=9, at=1)


def _rule(pen: Pen, y: float) -> None:
    """Marks at true size, to see whether the printer kept it."""
    x = BORDER_MM
    pen.line(x, y, x + RULE_MM, y)
    for tick in range(0, RULE_MM + 1, 10):
        pen.line(x + tick, y, x + tick, y - (4 if tick % 50 == 0 else 2.5))
    for quarter in range(RULE_INCHES * 4 + 1):
        at = x + quarter * words.MM_PER_INCH / 4
        pen.line(at, y, at, y + (4 if quarter % 4 == 0 else 2))
    if RULE_INCHES * words.MM_PER_INCH > RULE_MM:
        pen.line(x + RULE_MM, y, x + RULE_INCHES * words.MM_PER_INCH, y)
    told = f"Above {RULE_MM} mm, below {RULE_INCHES} in, when printed at 100 %."
    pen.text(x + RULE_MM + 8, y + 1, told, pt=9, grey=GREY)


def _scans(pen: Pen, plan: ScanPlan) -> float:
    """The table of scans, on as many pages as it takes; where it ends."""
    y = _table_head(pen, plan)
    for scan in plan.scans:
        if y + ROW_MM > pen.height - BORDER_MM:
            pen.next_page()
            y = _table_head(pen, plan)
        _row(pen, plan, scan, y)
        y += ROW_MM
    return y + 6


def _table_head(pen: Pen, plan: ScanPlan) -> float:
    pen.text(BORDER_MM, BORDER_MM + 4, "Scan after scan", pt=14, is_bold=True)
    how = HOW_TO_READ + (" The heavy line is the hinge." if plan.bed.hinge is not Hinge.NONE else "")
    y = pen.paragraph(BORDER_MM, BORDER_MM + 10, _wide(pen), how, pt=9, grey=GREY) + 3
    heads = {
        "way": "which way up",
        "left": "left edge",
        "far": "far edge",
        "shares": "shares with scan",
    }
    for name, head in heads.items():
        pen.text(BORDER_MM + COLUMNS[name], y, head, pt=9, is_bold=True)
    return y + 2


def _row(pen: Pen, plan: ScanPlan, scan: PlannedScan, y: float) -> None:
    x, middle = BORDER_MM, y + ROW_MM / 2
    pen.line(x, y, x + _wide(pen), y, width=HAIR_MM, grey=PALE)
    pen.rect(Rect(x, middle - BOX_MM / 2, BOX_MM, BOX_MM), fill=WHITE, width=LINE_MM)
    pen.text(x + COLUMNS["number"], middle + 1.9, str(scan.number), pt=15, is_bold=True)
    draw_lying(pen, plan, scan, Rect(x + COLUMNS["picture"], y + 1.2, 26, ROW_MM - 2.4))
    pen.text(x + COLUMNS["way"], middle - 2.5, words.way_up(scan.turn_deg), pt=10)
    under = f"{scan.file_name}{', lid off' if scan.needs_lid_off else ''}"
    pen.text(x + COLUMNS["way"], middle + 2, under, pt=9)
    pen.text(x + COLUMNS["way"], middle + 6, f"front: row {scan.row}, column {scan.column}", pt=8, grey=GREY)
    for name, place in (("left", scan.left_mm), ("far", scan.far_mm)):
        told = words.edge(place)
        pen.text(x + COLUMNS[name], middle - 1, told, pt=10)
        if told != "flush":
            pen.text(x + COLUMNS[name], middle + 4, words.inches(place), pt=9, grey=GREY)
    neighbours = _shared(scan)
    for line, one in enumerate(neighbours):
        pen.text(x + COLUMNS["shares"], middle + 1.2 - 2.1 * (len(neighbours) - 1) + 4.2 * line, one, pt=9)


def _shared(scan: PlannedScan) -> list[str]:
    """Neighbours that share alike in one line."""
    alike: dict[str, list[str]] = {}
    for one in scan.shares:
        alike.setdefault(words.mm(one.overlap_mm), []).append(str(one.number))
    return [f"{', '.join(numbers)} by {width} mm" for width, numbers in alike.items()]


def _cautions(pen: Pen, y: float) -> None:
    for head, lines in (
        ("Before", cautions.BEFORE),
        ("At every scan", cautions.DURING),
        ("Afterwards", cautions.AFTER),
    ):
        pen.text(BORDER_MM, y, head, pt=11, is_bold=True)
        y += 5.5
        for line in lines:
            pen.rect(Rect(BORDER_MM, y - 1.7, 1.2, 1.2), fill=0.0, stroke=None)
            y = pen.paragraph(BORDER_MM + 4, y, _wide(pen) - 4, line, pt=10)
        y += 3
    pen.paragraph(BORDER_MM, y, _wide(pen), cautions.COPYRIGHT, pt=9, grey=GREY)


def _wide(pen: Pen) -> float:
    return pen.width - 2 * BORDER_MM
