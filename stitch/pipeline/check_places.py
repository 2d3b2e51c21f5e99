"""What is to be said of where the scans lie: not placed, missing, thin, turned, askew."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from stitch.check.overlaps import Strip
from stitch.check.positions import Matched, place_words
from stitch.imaging.affine import FloatArray
from stitch.model.findings import Finding, Severity
from stitch.model.plan import PlannedScan, ScanPlan
from stitch.pipeline.laying import Laid, covered_share
from stitch.register.gaps import listed as gaps_listed
from stitch.register.rough import Rough
from stitch.report.turns import TURN_WORDS
from stitch.scans.wording import listed, plural

SKEW_DEG = 1.0
OTHER_SIZE_MM = 15.0  # a tape that was read wrongly is off by less
COVERED_SHARE = 0.97  # of a planned piece's paint: then nothing of it is missing


@dataclass(frozen=True, slots=True, eq=False)
class Missing:
    """What no scan covers."""

    words: tuple[str, ...] = ()
    corners_mm: tuple[FloatArray, ...] = ()  # of planned pieces, in the scans' frame
    findings: Sequence[Finding] = ()


def unplaced_findings(rough: Rough, laid: Laid | None, fit: Matched | None, plan: ScanPlan | None) -> list[Finding]:
    """Failed checks for scans that link to nothing, and for mirrored ones."""
    found = []
    if rough.mirrored:
        found.append(
            Finding(
                "mirrored",
                Severity.FAILED,
                f"{listed(rough.mirrored)} {plural(rough.mirrored, 'is', 'are')} mirrored against the other scans.",
                "Switch mirroring off in the scanner program and scan again.",
                rough.mirrored,
            )
        )
    if rough.stop is not None:
        names = tuple(name for name in rough.stop.scan_ids if name not in rough.mirrored)
        found.append(Finding("not-placed", Severity.FAILED, rough.stop.message, _advice(rough, laid, fit, plan), names))
    return found


def _advice(rough: Rough, laid: Laid | None, fit: Matched | None, plan: ScanPlan | None) -> str:
    advice = rough.stop.advice if rough.stop else ""
    if laid is None or fit is None or plan is None or len(rough.lost) != 1:
        return advice
    open_pieces = _open_pieces(laid, fit, plan)
    if len(open_pieces) != 1:
        return advice
    return f"By the plan it should be {place_words(open_pieces[0], plan)}. {advice}"


def is_other_plan(laid: Laid, fit: Matched, plan: ScanPlan) -> bool:
    """Whether most scans lie where the plan has no piece, or the painting, seen whole, has another size."""
    if 2 * len(fit.piece_of) < len(laid.mm_from_scan):
        return True
    size = laid.painting_size_mm
    if size is None:
        return False
    seen, planned = sorted(size), sorted((plan.painting_width_mm, plan.painting_height_mm))
    return any(abs(a - b) > OTHER_SIZE_MM for a, b in zip(seen, planned, strict=True))


def other_plan_findings() -> list[Finding]:
    """That the scans do not lie as any part of the plan does: it is not used, then."""
    return [
        Finding(
            "other-plan",
            Severity.FAILED,
            "The scans do not show the painting of the plan, or do not lie as it has them: it was not used.",
            "If it is the plan of another painting, check without it; if it is this one's, measure again.",
        )
    ]


def missing_pieces(laid: Laid, fit: Matched | None, plan: ScanPlan | None, rough: Rough) -> Missing:
    """Pieces of the plan that no scan covers, else holes among the scans.

    Mirrored scans show what is missing, when there are as many: then only they are to be told.
    """
    found = _missing(laid, fit, plan, rough.lost)
    if rough.mirrored and len(found.words) <= len(rough.mirrored):
        return Missing((), found.corners_mm, [])
    others = [name for name in rough.lost if name not in rough.mirrored]
    if not others or not found.words:
        return found
    unless = f" Unless {listed(others)}, not placed, {plural(others, 'shows', 'show')} it."
    told = [replace(one, message=one.message + unless) for one in found.findings]
    return Missing(found.words, found.corners_mm, told)


def _missing(laid: Laid, fit: Matched | None, plan: ScanPlan | None, lost: Sequence[str]) -> Missing:
    if fit is not None and plan is not None and fit.piece_of:
        pieces = _open_pieces(laid, fit, plan)
        if pieces:
            return _by_plan(pieces, fit, plan)
        if not laid.gaps:
            return Missing((), (), [])
    if laid.gaps:
        where = gaps_listed(laid.gaps)
        beside = tuple(dict.fromkeys(name for gap in laid.gaps for name in gap.beside))
        message = f"No scan covers part of the painting: {where}."
        advice = "Scan what is missing, with 30 mm or more of overlap."
        words = tuple(gap.words for gap in laid.gaps)
        return Missing(words, (), [Finding("missing", Severity.FAILED, message, advice, beside)])
    sides = laid.unseen_sides()
    if fit is None and sides and not lost:
        message = f"The painting's {listed(sides)} {plural(sides, 'edge is', 'edges are')} not in view."
        advice = "If the painting goes on there, scan on; a plan (--plan) would tell."
        return Missing((), (), [Finding("edge-not-in-view", Severity.WARNING, message, advice)])
    return Missing((), (), [])


def _open_pieces(laid: Laid, fit: Matched, plan: ScanPlan) -> list[PlannedScan]:
    return [piece for piece in fit.missing if covered_share(laid, _rectangle(piece, fit, plan)) < COVERED_SHARE]


def _by_plan(pieces: Sequence[PlannedScan], fit: Matched, plan: ScanPlan) -> Missing:
    words = tuple(place_words(piece, plan) for piece in pieces)
    said = "; ".join(f"{w} (scan {piece.number}, {piece.file_name})" for w, piece in zip(words, pieces, strict=True))
    message = f"Missing: {said}."
    advice = f"Scan {plural(pieces, 'it', 'them')} as the plan has {plural(pieces, 'it', 'them')}."
    corners = tuple(_rectangle(piece, fit, plan) for piece in pieces)
    return Missing(words, corners, [Finding("missing", Severity.FAILED, message, advice)])


def _rectangle(piece: PlannedScan, fit: Matched, plan: ScanPlan) -> FloatArray:
    """The part of the painting that a piece shows, (4, 2) in the scans' frame."""
    left, top = max(0.0, piece.x_mm), max(0.0, piece.y_mm)
    right = min(plan.painting_width_mm, piece.x_mm + piece.width_mm)
    bottom = min(plan.painting_height_mm, piece.y_mm + piece.height_mm)
    points = np.array([[left, top], [right, top], [right, bottom], [left, bottom]]) - np.array(fit.shift_mm)
    for _ in range(-fit.turn_deg // 90 % 4):
        points = np.column_stack([-points[:, 1], points[:, 0]])
    return points


def strip_findings(shown: Sequence[Strip]) -> list[Finding]:
    """A failed check for each overlap that is too thin."""
    return [
        Finding(
            "thin-overlap",
            Severity.FAILED,
            f"{one.scan_a} and {one.scan_b} share only {one.width_mm:.0f} mm.",
            "Scan one of them again with 30 mm or more of overlap.",
            (one.scan_a, one.scan_b),
        )
        for one in shown
        if one.is_thin
    ]


def lying_findings(laid: Laid, fit: Matched | None) -> list[Finding]:
    """Warnings for scans turned otherwise than the others or the plan, askew, or where the plan has no piece."""
    found = []
    for name, turn in laid.turn_deg.items():
        wanted = _wanted_turn(name, fit)
        if turn != wanted:
            how = TURN_WORDS.get((turn - wanted) % 360, "")
            against = "the plan" if wanted or (fit is not None and name in fit.piece_of) else "the others"
            found.append(
                Finding(
                    "turned",
                    Severity.WARNING,
                    f"{name} lay turned {how} against {against}.",
                    "For raised paint scan it again the same way round; flat work is joined all the same.",
                    (name,),
                )
            )
    askew = [name for name, skew in laid.skew_deg.items() if abs(skew) > SKEW_DEG]
    if askew:
        said = listed([f"{name} ({abs(laid.skew_deg[name]):.1f}°)" for name in askew])
        found.append(
            Finding(
                "askew",
                Severity.WARNING,
                f"{said} lay askew.",
                "Lay the painting's edge along the bed's; if it lay straight, switch straightening off.",
                tuple(askew),
            )
        )
    if fit is not None and fit.elsewhere:
        found.append(
            Finding(
                "not-in-plan",
                Severity.WARNING,
                f"{listed(fit.elsewhere)} {plural(fit.elsewhere, 'lies', 'lie')} where the plan has no piece.",
                "If the scans are right, all is well.",
                fit.elsewhere,
            )
        )
    return found


def _wanted_turn(name: str, fit: Matched | None) -> int:
    """How a scan should lie against most others, clockwise in the scan; the plan counts as the back is seen."""
    if fit is None or name not in fit.piece_of:
        return 0
    turns = [piece.turn_deg for piece in fit.piece_of.values()]
    usual = max(sorted(set(turns)), key=turns.count)
    return (usual - fit.piece_of[name].turn_deg) % 360
