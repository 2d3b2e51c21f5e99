"""The plan that scans were laid by: named, or found beside them. It is a hint, and decides nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from stitch.check.positions import place_words
from stitch.errors import RegisterError, UsageError
from stitch.imaging.affine import FloatArray, apply, compose, mm_from_px, rigid
from stitch.model.findings import Finding, Severity
from stitch.model.layout import Layout
from stitch.model.plan import ScanPlan
from stitch.model.scans import Scan
from stitch.model.settings import JoinSettings
from stitch.pipeline import against_plan
from stitch.pipeline.laying import Edges, Lying, lying, matched
from stitch.plan.file import FILE_NAME, load_plan
from stitch.plan.words import size as size_words

NONE = ""  # in place of a path: no plan, even where one lies beside the scans
OF_ANOTHER = "If it is the plan of another painting, add --plan none."


@dataclass(frozen=True, slots=True)
class Hint:
    """A plan and the file it stands in. `is_named` : it was asked for, not only found."""

    plan: ScanPlan
    path: Path
    is_named: bool


def places_looked_at(inputs: Sequence[Path]) -> tuple[Path, ...]:
    """Where a plan is found: in the folder of the scans, beside it, or in the folder `plan` beside it."""
    first = inputs[0].absolute()
    folder = first if first.is_dir() else first.parent
    return folder / FILE_NAME, folder.parent / FILE_NAME, folder.parent / "plan" / FILE_NAME


def find_plan(named: str | Path | None, inputs: Sequence[Path]) -> Hint | None:
    """The plan named, else the first one found. A file that is no readable plan counts only when named.

    Raises UsageError.
    """
    if named is not None:
        return None if named == NONE else Hint(load_plan(Path(named)), Path(named), is_named=True)
    for path in places_looked_at(inputs):
        if path.is_file():
            try:
                return Hint(load_plan(path), path, is_named=False)
            except UsageError:
                continue
    return None


def findings_of_join(
    hint: Hint | None,
    scans: Sequence[Scan],
    layout: Layout,
    painting_px: Sequence[tuple[float, float]] | None,
    settings: JoinSettings,
) -> list[Finding]:
    """What a plan adds to a finished placement: missing pieces fail, contradictions are warnings.

    painting_px : the painting's corners on the canvas, where all its edges are certain.
    """
    if hint is None:
        return []
    plan, held = hint.plan, _lying(layout, scans, painting_px)
    names = {scan.scan_id: scan.path.name for scan in scans}
    fit = matched(held, plan, names)
    if against_plan.is_other_plan(held, fit, plan):
        return [_told_of(hint, against_plan.other_plan_finding(Severity.WARNING))]
    missing = against_plan.missing_by_plan(held, fit, plan)
    return [
        _used(hint, count=len(fit.piece_of), settings=settings),
        *(replace(one, advice=f"{one.advice} {OF_ANOTHER}") for one in missing.findings),
        *against_plan.contradictions(held, fit, plan, names),
        *against_plan.turn_findings(held, fit, only_planned=True),
        *against_plan.settings_against_plan(scans, plan, settings.scan_dpi),
    ]


def words_when_stopped(hint: Hint | None, stop: RegisterError, scans: Sequence[Scan], ppi: Mapping[str, float]) -> str:
    """A sentence on the pieces of the plan that are missing, as far as scans were placed; "" when nothing is known."""
    if hint is None or len(stop.places) < 2:
        return ""
    mm = mm_from_px(1.0, float(np.median(list(ppi.values()))))
    scale = np.diag([mm, mm, 1.0])[:2]
    maps = {name: compose(scale, np.array(rows, np.float64)) for name, rows in stop.places.items()}
    held = lying(maps, {scan.scan_id: scan.size for scan in scans}, (None, None, None, None))
    names = {scan.scan_id: scan.path.name for scan in scans}
    fit = matched(held, hint.plan, names)
    if against_plan.is_other_plan(held, fit, hint.plan):
        return ""
    lost = [name for name in names if name not in stop.places]
    open_pieces = against_plan.open_pieces(held, fit, hint.plan)
    if len(lost) == 1 and len(open_pieces) == 1:
        return f"By the plan {lost[0]} should be {place_words(open_pieces[0], hint.plan)}."
    missing = against_plan.with_unless(against_plan.missing_by_plan(held, fit, hint.plan), lost)
    return " ".join(f"By the plan: {one.message}" for one in missing.findings)


def _told_of(hint: Hint, finding: Finding) -> Finding:
    return replace(finding, message=f"{hint.path.name} of {hint.path.absolute().parent.name}: {finding.message}")


def _used(hint: Hint, *, count: int, settings: JoinSettings) -> Finding:
    plan = hint.plan
    message = f"{hint.path.name} was read as a hint: {count} of {len(plan.scans)} pieces lie where it has them."
    if settings.width_mm is None and settings.height_mm is None:
        size = size_words(plan.painting_width_mm, plan.painting_height_mm)
        message += f" Its size of the painting, {size}, was not taken for a tape measure."
        return Finding("plan-read", Severity.NOTE, message, "To have the size checked, give --width and --height.")
    return Finding("plan-read", Severity.NOTE, message)


def _lying(layout: Layout, scans: Sequence[Scan], painting_px: Sequence[tuple[float, float]] | None) -> Lying:
    """The placed scans in mm, most of them upright."""
    mm = mm_from_px(1.0, layout.canvas_ppi)
    upright = rigid(-np.radians(layout.up_deg), 0.0, 0.0, scale=mm)
    maps = {one.scan_id: compose(upright, one.matrix) for one in layout.placements}
    return lying(maps, {scan.scan_id: scan.size for scan in scans}, _edges(upright, painting_px))


def _edges(mm_from_canvas: FloatArray, painting_px: Sequence[tuple[float, float]] | None) -> Edges:
    if painting_px is None:
        return None, None, None, None
    xs, ys = np.sort(apply(mm_from_canvas, np.array(painting_px, np.float64)), axis=0).T
    left, right = float(xs[:2].mean()), float(xs[2:].mean())
    return left, float(ys[:2].mean()), right, float(ys[2:].mean())
