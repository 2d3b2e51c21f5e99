"""A check of scans while the painting still lies there: told in order."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stitch import __version__
from stitch.check.compare import Shared, Side, compare_all
from stitch.check.exposure import Exposure, exposures
from stitch.check.focus import sharpness
from stitch.check.overlaps import Strip, strips
from stitch.check.positions import Matched
from stitch.imaging.affine import FloatArray, apply, mm_from_px
from stitch.imaging.colour import Encoding
from stitch.model.check import CheckedScan, CheckRecord, SharedStrip, Verdict
from stitch.model.findings import Finding, Severity
from stitch.model.plan import ScanPlan
from stitch.model.scans import Scan
from stitch.pipeline import against_plan, check_places, check_quality, check_settings
from stitch.pipeline.laying import Laid, inside_mm, lay, matched
from stitch.pipeline.looking import Seen, facts_of_files, light_of_cells, look_at
from stitch.progress import SILENT, Progress
from stitch.register.rough import Rough, place_roughly
from stitch.scans.collect import collect
from stitch.scans.resolution import DIFFERENCE_LIMIT, effective_ppi

INSET_MM = 5.0  # inside the painting's edges: there it is paint that is clipped, not the lid


@dataclass(frozen=True, slots=True, eq=False)
class Checked:
    """What was found, and what a picture of it is drawn from."""

    record: CheckRecord
    laid: Laid | None
    missing_mm: tuple[FloatArray, ...]  # corners of planned pieces that no scan covers, (4, 2) in the frame of `laid`


@dataclass(frozen=True, slots=True, eq=False)
class _Measured:
    """What was measured on placed scans."""

    light: Sequence[Exposure] = ()
    sharp: Mapping[str, float] = field(default_factory=dict)
    strips: Sequence[Strip] = ()
    clipped: Mapping[str, check_quality.Clipped] = field(default_factory=dict)
    missing: against_plan.Missing = field(default_factory=against_plan.Missing)
    findings: Sequence[Finding] = ()


def check(
    inputs: Sequence[Path],
    plan: ScanPlan | None = None,
    *,
    is_plan_named: bool = True,
    only: Sequence[str] = (),
    skip: Sequence[str] = (),
    recurse: bool = False,
    scan_dpi: float | None = None,
    jobs: int | None = None,
    progress: Progress = SILENT,
) -> Checked:
    """Look at every scan once and say whether the painting may be put away.

    `is_plan_named` : that scans are not the plan's fails the check; one that was only found may be another painting's.
    `scan_dpi` : resolution of scans that state none. Nothing is written but working copies of compressed scans, in the
    system's folder for such, gone at the end. Raises ScanError when a file cannot be used at all.
    """
    jobs = jobs or os.cpu_count() or 1
    collected = collect(inputs, only=only, skip=skip, recurse=recurse)
    scans = facts_of_files(collected.files)
    ppi = {scan.scan_id: effective_ppi(scan, scan_dpi) for scan in scans}
    with tempfile.TemporaryDirectory(prefix="stitch-check-") as scratch:
        seen = look_at(scans, ppi, Path(scratch), jobs, progress)
    rough = place_roughly(seen.reduced, ppi, jobs=jobs, progress=progress)
    laid = None if rough.registration is None else lay(rough.registration, seen.reduced)
    names = {scan.scan_id: scan.path.name for scan in seen.scans}
    fit = matched(laid, plan, names) if laid is not None and plan is not None else None
    findings = [*collected.findings, *check_settings.settings_findings(seen.scans, scan_dpi)]
    if laid is not None and fit is not None and plan is not None and against_plan.is_other_plan(laid, fit, plan):
        findings.append(against_plan.other_plan_finding(Severity.FAILED if is_plan_named else Severity.WARNING))
        fit = None
    elif plan is not None:
        findings += against_plan.settings_against_plan(seen.scans, plan, scan_dpi)
    words = against_plan.places_of(fit, plan)
    findings += check_places.unplaced_findings(rough, laid, fit, plan)
    findings += check_quality.dust_findings(rough.glass)
    measured = _Measured() if laid is None else _measured(seen, ppi, rough, laid, fit, plan)
    findings += measured.findings
    told = tuple(check_settings.with_places(finding, words) for finding in check_settings.sorted_by_weight(findings))
    again = [name for one in told if one.severity is Severity.FAILED for name in one.scan_ids if one.code != "missing"]
    is_good = not any(one.severity is Severity.FAILED for one in told)
    record = CheckRecord(
        __version__,
        Verdict.GOOD if is_good else Verdict.AGAIN,
        tuple(name for name in names if name in again),
        measured.missing.words,
        told,
        tuple(_described(scan, ppi, laid, words, measured) for scan in seen.scans),
        tuple(SharedStrip(one.scan_a, one.scan_b, one.width_mm, one.is_thin) for one in measured.strips),
        rough.glass,
        "" if plan is None else plan.title or "plan",
    )
    return Checked(record, laid, measured.missing.corners_mm)


def _measured(
    seen: Seen, ppi: Mapping[str, float], rough: Rough, laid: Laid, fit: Matched | None, plan: ScanPlan | None
) -> _Measured:
    """Everything that is seen once the scans lie where they belong."""
    paint = _paint_cells(seen, laid)
    shared = compare_all(_sides(seen, laid, paint))
    placed = list(laid.mm_from_scan)
    light, alike = exposures(placed, shared), _of_one_resolution(shared, ppi)
    sharp = sharpness(placed, alike)
    shown = strips(laid.corners_mm)
    clipped = {n: check_quality.clipped(seen.looks[n], mine.reshape(-1), ppi[n]) for n, mine in paint.items()}
    missing = check_places.missing_pieces(laid, fit, plan, rough)
    names = {scan.scan_id: scan.path.name for scan in seen.scans}
    findings = [
        *missing.findings,
        *check_places.strip_findings(shown),
        *against_plan.turn_findings(laid, fit),
        *check_places.askew_findings(laid),
        *([] if fit is None or plan is None else against_plan.contradictions(laid, fit, plan, names)),
        *check_quality.streak_findings(seen.reduced, ppi, laid),
        *check_quality.exposure_findings(light),
        *check_quality.focus_findings(sharp, alike, {scan.scan_id: scan.size for scan in seen.scans}),
        *check_quality.clipping_findings(clipped),
    ]
    return _Measured(light, sharp, shown, clipped, missing, findings)


def _of_one_resolution(shared: Sequence[Shared], ppi: Mapping[str, float]) -> list[Shared]:
    """Detail is compared in px: only scans of the usual resolution can be."""
    usual = float(np.median(list(ppi.values())))
    is_usual = {name: abs(value / usual - 1) <= DIFFERENCE_LIMIT for name, value in ppi.items()}
    return [one for one in shared if is_usual[one.scan_a] and is_usual[one.scan_b]]


def _sides(seen: Seen, laid: Laid, paint: Mapping[str, NDArray[np.bool_]]) -> dict[str, Side]:
    encoding = Encoding.of_profile(next((scan.profile for scan in seen.scans if scan.profile), None))
    return {
        name: Side(
            seen.looks[name], light_of_cells(seen.reduced[name], seen.looks[name], encoding), matrix, paint[name]
        )
        for name, matrix in laid.mm_from_scan.items()
    }


def _paint_cells(seen: Seen, laid: Laid) -> dict[str, NDArray[np.bool_]]:
    """Which cells of each placed scan show paint, (rows, columns)."""
    found = {}
    for name, matrix in laid.mm_from_scan.items():
        centres = seen.looks[name].centres()
        inside = inside_mm(laid, apply(matrix, centres.reshape(-1, 2))) > INSET_MM
        found[name] = inside.reshape(centres.shape[:2])
    return found


def _described(
    scan: Scan,
    ppi: Mapping[str, float],
    laid: Laid | None,
    words: Mapping[str, str],
    measured: _Measured,
) -> CheckedScan:
    name = scan.scan_id
    is_placed = laid is not None and name in laid.mm_from_scan
    shares = measured.clipped.get(name)
    return CheckedScan(
        name,
        scan.path.name,
        words.get(name, ""),
        mm_from_px(scan.size.width_px, ppi[name]),
        mm_from_px(scan.size.height_px, ppi[name]),
        ppi[name],
        scan.bits,
        is_placed,
        tuple((float(x), float(y)) for x, y in laid.corners_mm[name]) if laid is not None and is_placed else (),
        laid.turn_deg[name] if laid is not None and is_placed else 0,
        laid.skew_deg[name] if laid is not None and is_placed else 0.0,
        next((one.light for one in measured.light if one.scan_id == name), None),
        float(np.exp(measured.sharp[name] / 2)) if name in measured.sharp else None,
        shares.low if shares else (0.0, 0.0, 0.0),
        shares.high if shares else (0.0, 0.0, 0.0),
    )
