"""What is to be said of where the scans of a check lie: not placed, missing, thin, askew."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from stitch.check.overlaps import Strip
from stitch.check.positions import Matched, place_words
from stitch.model.findings import Finding, Severity
from stitch.model.plan import PlannedScan, ScanPlan
from stitch.pipeline.against_plan import SLIP_MM, Missing, missing_by_plan, open_pieces, with_unless
from stitch.pipeline.fitted import mm_from_lost, off_piece_mm
from stitch.pipeline.laying import Laid
from stitch.register.gaps import listed as gaps_listed
from stitch.register.reduced import Reduced
from stitch.register.rough import Rough
from stitch.scans.wording import listed, plural

SKEW_DEG = 1.0


def unplaced_findings(
    rough: Rough, laid: Laid | None, fit: Matched | None, plan: ScanPlan | None, by_plan: Sequence[str] = ()
) -> list[Finding]:
    """Failed checks for scans that link to nothing, and for mirrored ones.

    `by_plan` : scans that only the plan gave a place among several that fit.
    """
    found = mirrored_findings(tuple(rough.mirrored))
    if rough.stop is None:
        return found
    named = [name for name in rough.stop.scan_ids if name not in rough.mirrored]
    names = tuple(name for name in named if name in rough.lost or name in by_plan) or tuple(named)
    message, advice = rough.stop.message, _advice(rough, laid, fit, plan)
    if by_plan:
        message += f" For this check {listed(list(by_plan))} {plural(by_plan, 'was', 'were')} laid as the plan has "
        message += f"{plural(by_plan, 'it', 'them')}; a join does not go by a plan."
    found.append(Finding("not-placed", Severity.FAILED, message, advice, names))
    return found


def mirrored_findings(names: tuple[str, ...]) -> list[Finding]:
    """A failed check for scans that link to the others once they are mirrored."""
    if not names:
        return []
    return [
        Finding(
            "mirrored",
            Severity.FAILED,
            f"{listed(names)} {plural(names, 'is', 'are')} mirrored against the other scans.",
            "Switch mirroring off in the scanner program and scan again.",
            names,
        )
    ]


def _advice(rough: Rough, laid: Laid | None, fit: Matched | None, plan: ScanPlan | None) -> str:
    advice = rough.stop.advice if rough.stop else ""
    if laid is None or fit is None or plan is None or len(rough.lost) != 1:
        return advice
    left = open_pieces(laid, fit, plan)
    return f"By the plan it should be {place_words(left[0], plan)}. {advice}" if len(left) == 1 else advice


def missing_pieces(
    laid: Laid, fit: Matched | None, plan: ScanPlan | None, rough: Rough, mirrored: Mapping[str, PlannedScan]
) -> Missing:
    """Pieces of the plan that no scan covers, else holes among the scans.

    `mirrored` : the piece of the plan that a mirrored scan shows. Of those whose piece is not known, each is believed
    to show one thing that is missing: then only they are to be told.
    """
    found = _missing(laid, fit, plan, rough.lost, list(mirrored.values()))
    unknown = len(rough.mirrored) - len(mirrored)
    if unknown and len(found.words) <= unknown:
        return Missing((), found.corners_mm, [])
    return with_unless(found, [name for name in rough.lost if name not in rough.mirrored])


def mirrored_pieces(
    laid: Laid | None, fit: Matched | None, plan: ScanPlan | None, rough: Rough, reduced: Mapping[str, Reduced]
) -> dict[str, PlannedScan]:
    """The open piece of the plan that each mirrored scan shows, where it lies on one."""
    if laid is None or fit is None or plan is None:
        return {}
    left = open_pieces(laid, fit, plan)
    found = {}
    for name, pair in rough.mirrored.items():
        matrix = mm_from_lost(name, pair, laid, reduced)
        off = {} if matrix is None else {k: off_piece_mm(matrix, reduced[name], p, fit) for k, p in enumerate(left)}
        nearest = min(off, key=lambda k: off[k], default=None)
        if nearest is not None and off[nearest] < SLIP_MM:
            found[name] = left[nearest]
    return found


def _missing(
    laid: Laid, fit: Matched | None, plan: ScanPlan | None, lost: Sequence[str], told: Sequence[PlannedScan]
) -> Missing:
    if fit is not None and plan is not None and fit.piece_of:
        found = missing_by_plan(laid, fit, plan, told)
        if found.words or told or not laid.gaps:
            return found
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
    return Missing()


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


def askew_findings(laid: Laid) -> list[Finding]:
    """A warning for scans that lay askew."""
    askew = [name for name, skew in laid.skew_deg.items() if abs(skew) > SKEW_DEG]
    if not askew:
        return []
    said = listed([f"{name} ({abs(laid.skew_deg[name]):.1f}°)" for name in askew])
    return [
        Finding(
            "askew",
            Severity.WARNING,
            f"{said} lay askew.",
            "Lay the painting's edge along the bed's; if it lay straight, switch straightening off.",
            tuple(askew),
        )
    ]
