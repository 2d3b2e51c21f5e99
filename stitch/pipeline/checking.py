"""A check of scans while the painting still lies there: told in order."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np

from stitch import __version__
from stitch.imaging.affine import FloatArray, mm_from_px
from stitch.imaging.colour import Encoding
from stitch.model.check import CheckedScan, CheckRecord, SharedStrip, Verdict
from stitch.model.findings import Severity
from stitch.model.plan import ScanPlan
from stitch.model.scans import Scan
from stitch.pipeline import against_plan, check_places, check_quality, check_settings
from stitch.pipeline.check_doubts import chosen_by_plan
from stitch.pipeline.laying import Laid, lay, matched
from stitch.pipeline.looking import facts_of_files, look_at
from stitch.pipeline.seen_placed import Measured, measured
from stitch.progress import SILENT, Progress
from stitch.register.rough import place_roughly, with_chosen
from stitch.scans.collect import collect
from stitch.scans.naming import shown as shown_name
from stitch.scans.resolution import effective_ppi


@dataclass(frozen=True, slots=True, eq=False)
class Checked:
    """What was found, and what a picture of it is drawn from."""

    record: CheckRecord
    laid: Laid | None
    missing_mm: tuple[FloatArray, ...]  # corners of planned pieces that no scan covers, (4, 2) in the frame of `laid`


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
    by_plan: tuple[str, ...] = ()
    if laid is not None and fit is not None and plan is not None and rough.lost:
        chosen = chosen_by_plan(rough, laid, fit, plan, seen.reduced)
        if chosen:
            lost_before = rough.lost
            rough = with_chosen(rough, chosen, seen.reduced, ppi)
            assert rough.registration is not None
            laid = lay(rough.registration, seen.reduced)
            fit = matched(laid, plan, names)
            by_plan = tuple(name for name in lost_before if name not in rough.lost)
    words = against_plan.places_of(fit, plan)
    findings += check_places.unplaced_findings(rough, laid, fit, plan, by_plan)
    findings += check_quality.dust_findings(rough.glass)
    shown, missing = Measured(), against_plan.Missing()
    if laid is not None:
        encoding = Encoding.of_profile(next((scan.profile for scan in seen.scans if scan.profile), None))
        missing = check_places.missing_pieces(laid, fit, plan, rough)
        shown = measured(laid, seen.reduced, seen.looks, ppi, encoding)
        findings += [*missing.findings, *against_plan.turn_findings(laid, fit), *shown.findings]
        if fit is not None and plan is not None:
            findings += against_plan.contradictions(laid, fit, plan, names)
    told = tuple(check_settings.with_places(finding, words) for finding in check_settings.sorted_by_weight(findings))
    again = [name for one in told if one.severity is Severity.FAILED for name in one.scan_ids if one.code != "missing"]
    is_good = not any(one.severity is Severity.FAILED for one in told)
    record = CheckRecord(
        __version__,
        Verdict.GOOD if is_good else Verdict.AGAIN,
        tuple(name for name in names if name in again),
        missing.words,
        told,
        tuple(_described(scan, ppi, laid, words, shown) for scan in seen.scans),
        tuple(SharedStrip(one.scan_a, one.scan_b, one.width_mm, one.is_thin) for one in shown.strips),
        rough.glass,
        "" if plan is None else plan.title or "plan",
        _name(inputs),
        datetime.now().astimezone().isoformat(timespec="seconds"),
    )
    return Checked(record, laid, missing.corners_mm)


def _name(inputs: Sequence[Path]) -> str:
    first = inputs[0].absolute()
    return shown_name(first.name if first.is_dir() else first.parent.name)


def _described(
    scan: Scan,
    ppi: Mapping[str, float],
    laid: Laid | None,
    words: Mapping[str, str],
    shown: Measured,
) -> CheckedScan:
    name = scan.scan_id
    is_placed = laid is not None and name in laid.mm_from_scan
    shares = shown.clipped.get(name)
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
        next((one.light for one in shown.light if one.scan_id == name), None),
        float(np.exp(shown.sharp[name] / 2)) if name in shown.sharp else None,
        shares.low if shares else (0.0, 0.0, 0.0),
        shares.high if shares else (0.0, 0.0, 0.0),
    )
