"""Scans held against the plan they were laid by: a plan is a hint, and what contradicts it is told."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import PurePath
from types import MappingProxyType

import numpy as np

from stitch.check.positions import Matched, middle_of, place_words, turned
from stitch.imaging.affine import FloatArray
from stitch.model.findings import Finding, Severity
from stitch.model.plan import PlannedScan, ScanPlan
from stitch.model.scans import Scan
from stitch.pipeline.laying import Lying
from stitch.plan.words import size as size_words
from stitch.report.turns import TURN_WORDS
from stitch.scans.resolution import DIFFERENCE_LIMIT, effective_ppi
from stitch.scans.sides import sides_mm
from stitch.scans.wording import listed, number, plural

OTHER_SIZE_MM = 15.0  # a tape that was read wrongly is off by less
SIZE_MM = 5.0  # the outline of small copies is good to a millimetre or two
COVERED_SHARE = 0.97  # of a planned piece's paint: then nothing of it is missing
SLIP_MM = 15.0  # hands slip by less; half of what a plan leaves as overlap is lost with it
OTHER_GLASS_MM = 8.0  # programs leave out a strip of the glass; more is another setting or another bed
WHAT_THEN = "If the plan is right, scan again as it says; if the scans are right, all is well: they were believed."


@dataclass(frozen=True, slots=True, eq=False)
class Missing:
    """What no scan covers."""

    words: tuple[str, ...] = ()
    corners_mm: tuple[FloatArray, ...] = ()  # of planned pieces, in the scans' frame
    findings: Sequence[Finding] = ()


def is_other_plan(lying: Lying, fit: Matched, plan: ScanPlan) -> bool:
    """Whether half of the scans lie where the plan has no piece, or the painting, seen whole, has another size.

    One scan alone always fits some piece. While pieces are missing a smaller painting is no proof: what looks like its
    edge may be where the scans end.
    """
    count = len(lying.mm_from_scan)
    if count > 1 and 2 * len(fit.piece_of) <= count:
        return True
    size = lying.painting_size_mm
    if size is None:
        return False
    seen, planned = sorted(size), sorted((plan.painting_width_mm, plan.painting_height_mm))
    over = [a - b for a, b in zip(seen, planned, strict=True)]
    return max(over) > OTHER_SIZE_MM or (min(over) < -OTHER_SIZE_MM and not fit.missing)


def other_plan_finding(severity: Severity = Severity.FAILED) -> Finding:
    """That the scans do not lie as any part of the plan does: it is not used, then."""
    return Finding(
        "other-plan",
        severity,
        "The scans do not show the painting of the plan, or do not lie as it has them: it was not used.",
        "If it is the plan of another painting, add --plan none or move it away; if it is this one's, measure again.",
    )


def places_of(
    fit: Matched | None, plan: ScanPlan | None, mirrored: Mapping[str, PlannedScan] = MappingProxyType({})
) -> dict[str, str]:
    """The planned place of every scan that a piece of the plan explains, mirrored ones among them."""
    if fit is None or plan is None:
        return {}
    return {name: place_words(piece, plan) for name, piece in (*fit.piece_of.items(), *mirrored.items())}


def contradictions(lying: Lying, fit: Matched, plan: ScanPlan, file_names: Mapping[str, str]) -> list[Finding]:
    """What the plan says of places, count and size, where the scans show something else; turns are told elsewhere."""
    return [
        *_beyond(fit),
        *_named_otherwise(fit, plan, file_names),
        *_twice(fit, plan),
        *_slipped(lying, fit, plan),
        *_other_size(lying, fit, plan),
    ]


def _beyond(fit: Matched) -> list[Finding]:
    if not fit.elsewhere:
        return []
    return [
        Finding(
            "not-in-plan",
            Severity.WARNING,
            f"{listed(fit.elsewhere)} {plural(fit.elsewhere, 'lies', 'lie')} where the plan has no piece.",
            WHAT_THEN,
            fit.elsewhere,
        )
    ]


def _named_otherwise(fit: Matched, plan: ScanPlan, file_names: Mapping[str, str]) -> list[Finding]:
    by_file = {PurePath(piece.file_name).stem: piece for piece in plan.scans}
    said, names = [], []
    for name, file_name in file_names.items():
        piece, wanted = fit.piece_of.get(name), by_file.get(PurePath(file_name).stem)
        if piece is not None and wanted is not None and wanted.number != piece.number:
            said.append(f"{name} shows {place_words(piece, plan)}, not {place_words(wanted, plan)}")
            names.append(name)
    if not said:
        return []
    return [
        Finding(
            "place-unlike-plan",
            Severity.WARNING,
            f"By its file name the plan has {plural(names, 'a scan', 'scans')} elsewhere: {listed(said)}.",
            "The scans were placed by what they show; only the names are unlike the plan.",
            tuple(names),
        )
    ]


def _twice(fit: Matched, plan: ScanPlan) -> list[Finding]:
    scans_of: dict[int, list[str]] = {}
    for name, piece in fit.piece_of.items():
        scans_of.setdefault(piece.number, []).append(name)
    found = []
    for piece in plan.scans:
        names = scans_of.get(piece.number, [])
        if len(names) > 1:
            found.append(
                Finding(
                    "more-than-planned",
                    Severity.WARNING,
                    f"{listed(names)} lie at one place of the plan, {place_words(piece, plan)}.",
                    "If one is a second try, leave the worse one out with --skip.",
                    tuple(names),
                )
            )
    return found


def _slipped(lying: Lying, fit: Matched, plan: ScanPlan) -> list[Finding]:
    """Scans far from their planned places, measured from where all of them lie on the whole."""
    off = {}
    for name, piece in fit.piece_of.items():
        middle = turned(lying.corners_mm[name].mean(axis=0), fit.turn_deg)
        off[name] = middle + np.array(fit.shift_mm) - middle_of(piece)
    if len(off) < 3:
        return []
    usual = np.median(np.array(list(off.values())), axis=0)
    far = {name: float(np.hypot(*(where - usual))) for name, where in off.items()}
    slipped = [name for name, length in far.items() if length > SLIP_MM]
    if not slipped:
        return []
    said = listed([f"{name} ({far[name]:.0f} mm)" for name in slipped])
    return [
        Finding(
            "slipped",
            Severity.WARNING,
            f"{said} {plural(slipped, 'lies', 'lie')} beside the place that the plan has for "
            f"{plural(slipped, 'it', 'them')}.",
            WHAT_THEN,
            tuple(slipped),
        )
    ]


def _other_size(lying: Lying, fit: Matched, plan: ScanPlan) -> list[Finding]:
    seen = lying.painting_size_mm
    if seen is None:
        return []
    across = seen if fit.turn_deg % 180 == 0 else seen[::-1]
    planned = plan.painting_width_mm, plan.painting_height_mm
    if max(abs(a - b) for a, b in zip(across, planned, strict=True)) <= SIZE_MM:
        return []
    return [
        Finding(
            "size-unlike-plan",
            Severity.WARNING,
            f"The plan has the painting at {size_words(*planned)}; the scans show about "
            f"{size_words(round(across[0]), round(across[1]))}.",
            "Measure the painting once more.",
        )
    ]


def turn_findings(lying: Lying, fit: Matched | None, *, only_planned: bool = False) -> list[Finding]:
    """Warnings for scans that lay turned otherwise than the plan has them, or than the others where it says nothing."""
    found = []
    for name, turn in lying.turn_deg.items():
        wanted = _wanted_turn(name, fit)
        is_planned = fit is not None and name in fit.piece_of
        if turn == wanted or (only_planned and not is_planned):
            continue
        how = TURN_WORDS[(turn - wanted) % 360]
        found.append(
            Finding(
                "turned",
                Severity.WARNING,
                f"{name} lay turned {how} against {'the plan' if is_planned else 'the others'}.",
                "For raised paint scan it again the same way round; flat work is joined all the same.",
                (name,),
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


def missing_by_plan(lying: Lying, fit: Matched, plan: ScanPlan, told: Collection[PlannedScan] = ()) -> Missing:
    """Pieces of the plan whose paint no scan covers, each by its place; but for those that are told of otherwise."""
    pieces = [piece for piece in open_pieces(lying, fit, plan) if piece not in told]
    if not pieces:
        return Missing()
    words = tuple(place_words(piece, plan) for piece in pieces)
    said = "; ".join(f"{w} (scan {piece.number}, {piece.file_name})" for w, piece in zip(words, pieces, strict=True))
    finding = Finding(
        "missing",
        Severity.FAILED,
        f"Missing: {said}.",
        f"Scan {plural(pieces, 'it', 'them')} as the plan has {plural(pieces, 'it', 'them')}.",
    )
    return Missing(words, tuple(rectangle_mm(piece, fit, plan) for piece in pieces), [finding])


def with_unless(missing: Missing, others: Sequence[str]) -> Missing:
    """The same, with scans that were not placed and may show what is missing."""
    if not others or not missing.words:
        return missing
    unless = f" Unless {listed(others)}, not placed, {plural(others, 'shows', 'show')} it."
    return replace(missing, findings=[replace(one, message=one.message + unless) for one in missing.findings])


def open_pieces(lying: Lying, fit: Matched, plan: ScanPlan) -> list[PlannedScan]:
    """Planned pieces that no scan was found for, and whose paint no other covers."""
    return [p for p in fit.missing if lying.covered_share(rectangle_mm(p, fit, plan)) < COVERED_SHARE]


def rectangle_mm(piece: PlannedScan, fit: Matched, plan: ScanPlan) -> FloatArray:
    """The part of the painting that a piece shows, (4, 2) in the scans' frame."""
    left, top = max(0.0, piece.x_mm), max(0.0, piece.y_mm)
    right = min(plan.painting_width_mm, piece.x_mm + piece.width_mm)
    bottom = min(plan.painting_height_mm, piece.y_mm + piece.height_mm)
    points = np.array([[left, top], [right, top], [right, bottom], [left, bottom]]) - np.array(fit.shift_mm)
    for _ in range(-fit.turn_deg // 90 % 4):
        points = np.column_stack([-points[:, 1], points[:, 0]])
    return points


def settings_against_plan(scans: Sequence[Scan], plan: ScanPlan, scan_dpi: float | None) -> list[Finding]:
    """A warning where most scans have another resolution, depth or size than the plan; odd ones are told elsewhere."""
    usual = Counter(round(effective_ppi(scan, scan_dpi)) for scan in scans).most_common(1)[0][0]
    bits = Counter(scan.bits for scan in scans).most_common(1)[0][0]
    said = []
    if abs(usual / plan.dpi - 1) > DIFFERENCE_LIMIT:
        said.append(f"{usual} dpi instead of {number(plan.dpi)}")
    if bits < plan.bits:
        said.append(f"{bits} bits a channel instead of {plan.bits}")
    sides = np.median([sides_mm(scan, scan_dpi) for scan in scans], axis=0)
    glass = sorted((plan.bed.width_mm, plan.bed.height_mm))
    if np.abs(sides - glass).max() > OTHER_GLASS_MM:
        said.append(f"{sides[0]:.0f} × {sides[1]:.0f} mm instead of a glass of {glass[0]:.0f} × {glass[1]:.0f} mm")
    if not said:
        return []
    return [
        Finding(
            "unlike-plan",
            Severity.WARNING,
            f"The scans have {' and '.join(said)}, unlike the plan.",
            "If the plan is right, scan again with its settings.",
        )
    ]
