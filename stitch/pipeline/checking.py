"""A check of scans while the painting still lies there: told in order."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

import numpy as np

from stitch import __version__
from stitch.check.positions import Matched
from stitch.check.unplaced import unlike_detail
from stitch.imaging.affine import FloatArray, mm_from_px
from stitch.imaging.colour import Encoding
from stitch.model.check import CheckedScan, CheckRecord, SharedStrip, Verdict
from stitch.model.findings import Finding, Severity
from stitch.model.plan import PlannedScan, ScanPlan
from stitch.model.scans import Scan
from stitch.model.store import NO_STORE, Store
from stitch.pipeline import against_plan, check_detail, check_places, check_quality, check_settings
from stitch.pipeline.check_doubts import chosen_by_plan
from stitch.pipeline.laying import Laid, lay, matched
from stitch.pipeline.looking import Seen, facts_of_files, look_at
from stitch.pipeline.seen_placed import Measured, measured
from stitch.progress import SILENT, Progress
from stitch.register.rough import Rough, place_roughly, with_chosen
from stitch.scans.collect import collect
from stitch.scans.naming import shown as shown_name
from stitch.scans.resolution import DIFFERENCE_LIMIT, effective_ppi


@dataclass(frozen=True, slots=True, eq=False)
class Checked:
    """What was found, and what a picture of it is drawn from."""

    record: CheckRecord
    laid: Laid | None
    missing_mm: tuple[FloatArray, ...]  # corners of planned pieces that no scan covers, (4, 2) in the frame of `laid`
    to_scan: tuple[PlannedScan, ...] = ()  # pieces of the plan that no scan covers, in its order
    mirrored_mm: Mapping[str, FloatArray] = field(default_factory=dict)  # corners of the piece a mirrored scan shows


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
    collected = collect(inputs, only=only, skip=skip, recurse=recurse)
    checked = check_files(
        collected.files, plan, is_plan_named=is_plan_named, scan_dpi=scan_dpi, jobs=jobs, progress=progress,
        noticed=collected.findings,
    )  # fmt: skip
    return replace(checked, record=replace(checked.record, name=name_of(inputs)))


def check_files(
    files: Sequence[Path],
    plan: ScanPlan | None,
    *,
    is_plan_named: bool,
    scan_dpi: float | None,
    jobs: int | None = None,
    progress: Progress = SILENT,
    store: Store = NO_STORE,
    noticed: Sequence[Finding] = (),
) -> Checked:
    """The same of files that were found already; what was looked at before is found again in `store`."""
    jobs = jobs or os.cpu_count() or 1
    scans = facts_of_files(files)
    ppi = {scan.scan_id: effective_ppi(scan, scan_dpi) for scan in scans}
    with tempfile.TemporaryDirectory(prefix="stitch-check-") as scratch:
        seen = look_at(scans, ppi, Path(scratch), jobs, progress, store)
    placed = _placed(seen, ppi, plan, jobs, progress, store)
    laid, fit, rough = placed.laid, placed.fit, placed.rough
    names = {scan.scan_id: scan.path.name for scan in seen.scans}
    findings = [*noticed, *check_settings.settings_findings(seen.scans, scan_dpi)]
    if placed.is_other:
        findings.append(against_plan.other_plan_finding(Severity.FAILED if is_plan_named else Severity.WARNING))
    elif plan is not None:
        findings += against_plan.settings_against_plan(seen.scans, plan, scan_dpi)
    mirrored = check_places.mirrored_pieces(laid, fit, plan, rough, seen.reduced)
    words = against_plan.places_of(fit, plan, mirrored)
    findings += check_places.unplaced_findings(rough, laid, fit, plan, placed.by_plan)
    findings += check_quality.dust_findings(rough.glass)
    lossy = [name for one in findings if one.code == "jpeg-damage" for name in one.scan_ids]
    findings += [*check_quality.block_findings(seen.looks, lossy), *check_quality.filled_findings(seen.reduced)]
    shown, missing = Measured(), against_plan.Missing()
    if laid is not None:
        encoding = Encoding.of_profile(next((scan.profile for scan in seen.scans if scan.profile), None))
        missing = check_places.missing_pieces(laid, fit, plan, rough, mirrored)
        shown = measured(laid, seen.reduced, seen.looks, ppi, encoding, jobs)
        findings += [*missing.findings, *against_plan.turn_findings(laid, fit), *shown.findings]
        findings += check_detail.unlike_detail_findings(unlike_detail(seen.looks, *_comparable(ppi, laid, rough)))
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
        checked_at=datetime.now().astimezone().isoformat(timespec="seconds"),
    )
    if fit is None or plan is None or laid is None:
        return Checked(record, laid, missing.corners_mm)
    mirrored_mm = {name: against_plan.rectangle_mm(piece, fit, plan) for name, piece in mirrored.items()}
    to_scan = tuple(against_plan.open_pieces(laid, fit, plan))
    return Checked(record, laid, missing.corners_mm, to_scan, mirrored_mm)


@dataclass(frozen=True, slots=True, eq=False)
class _Placed:
    rough: Rough
    laid: Laid | None
    fit: Matched | None
    is_other: bool = False  # the plan is not that of these scans
    by_plan: tuple[str, ...] = ()  # scans that the plan gave a place among several that fit


def _placed(
    seen: Seen, ppi: Mapping[str, float], plan: ScanPlan | None, jobs: int, progress: Progress, store: Store
) -> _Placed:
    """Where the scans lie, and which pieces of the plan they are."""
    rough = place_roughly(seen.reduced, ppi, jobs=jobs, store=store, progress=progress)
    laid = None if rough.registration is None else lay(rough.registration, seen.reduced)
    if laid is None or plan is None:
        return _Placed(rough, laid, None)
    names = {scan.scan_id: scan.path.name for scan in seen.scans}
    fit = matched(laid, plan, names)
    if against_plan.is_other_plan(laid, fit, plan):
        return _Placed(rough, laid, None, is_other=True)
    chosen = chosen_by_plan(rough, laid, fit, plan, seen.reduced)
    more = with_chosen(rough, chosen, seen.reduced, ppi) if chosen else rough
    if not chosen or more.registration is None:
        return _Placed(rough, laid, fit)
    laid = lay(more.registration, seen.reduced)
    by_plan = tuple(name for name in rough.lost if name not in more.lost)
    return _Placed(more, laid, matched(laid, plan, names), by_plan=by_plan)


def _comparable(ppi: Mapping[str, float], laid: Laid, rough: Rough) -> tuple[list[str], list[str]]:
    """Placed scans, and those without a place, of the usual resolution: detail is compared in px."""
    usual = float(np.median(list(ppi.values())))
    alike = [name for name, value in ppi.items() if abs(value / usual - 1) <= DIFFERENCE_LIMIT]
    lost = [name for name in rough.lost if name not in rough.mirrored]
    return [name for name in alike if name in laid.mm_from_scan], [name for name in alike if name in lost]


def name_of(inputs: Sequence[Path]) -> str:
    """The folder's name."""
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
