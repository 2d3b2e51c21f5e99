"""One job, told in order."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Sequence
from datetime import datetime
from statistics import median
from typing import Any

from stitch import __version__
from stitch.errors import RegisterError, ScanError, StitchError
from stitch.imaging.overview import Overview
from stitch.imaging.placed_map import placed_maps
from stitch.job.folder import JobFolder
from stitch.model.findings import Finding, Severity
from stitch.model.layout import Layout
from stitch.model.master import MasterSpec
from stitch.model.report import RunSummary
from stitch.model.request import JoinRequest
from stitch.model.scans import Scan
from stitch.model.seams import LabelMap
from stitch.model.size import SizeCheck
from stitch.pipeline import (
    by_hand,
    calibration,
    check_settings,
    checkin,
    cores,
    fitting,
    layering,
    making,
    missing,
    noticed,
    placing,
    plan_hint,
    rerun,
    room,
    seam_checks,
    sizing,
    telling,
    toned,
    wishing,
)
from stitch.pipeline.again import way_out
from stitch.pipeline.distances import distance_findings, with_distances
from stitch.pipeline.keep import Keeper, OnlyPlanned
from stitch.pipeline.wish_findings import wish_findings
from stitch.progress import SILENT, Progress
from stitch.scans.readers import open_known


def join(request: JoinRequest, progress: Progress = SILENT) -> RunSummary:
    """Join the scans of one painting into a master, or say why not.

    Returns
    -------
    What was found, with exit code 0 or 1 when there is a master, 3 when the scans do not go together, 4 when they
    could not be placed; then the job folder stays, with a report and the command to type next.

    Raises
    ------
    StitchError : whatever else stopped the run, with its exit code; nothing new is left under its final name.
    """
    folder = JobFolder.open_or_create(request)
    with folder.at_work(), cores.at_most(folder.request.settings.jobs):
        run = _Run(folder, progress)
        try:
            return run.finished()
        except checkin.ScansDisagree:
            return run.refused()
        except RegisterError as stop:
            return run.stopped(stop)
        except StitchError:
            run.leave_nothing()
            raise


def plan(request: JoinRequest) -> tuple[rerun.Step, ...]:
    """What a run of the same request would keep and what it would do again; nothing is made or changed.

    Raises StitchError for what would stop the run before its first room is done.
    """
    folder = JobFolder.open_or_create(request)
    with folder.at_work():
        run = _Run(folder, SILENT, only_plan=True)
        return run.planned()


class _Run:
    """The state of one run while its rooms are gone through."""

    def __init__(self, folder: JobFolder, progress: Progress, *, only_plan: bool = False) -> None:
        self._folder = folder
        self._request = folder.request
        self._settings = folder.request.settings
        self._progress = progress
        self._only_plan = only_plan
        self._keeper = Keeper(folder, only_plan=only_plan)
        self._started_at = datetime.now().astimezone().isoformat(timespec="seconds")
        self._scans: tuple[Scan, ...] = ()
        self._findings: tuple[Finding, ...] = self._keeper.notes
        self._hint: plan_hint.Hint | None = None

    def planned(self) -> tuple[rerun.Step, ...]:
        """The rooms, up to the first that is not kept, and what follows from it."""
        with contextlib.suppress(OnlyPlanned):
            self.finished()
        return rerun.steps(self._keeper)

    def finished(self) -> RunSummary:
        """Go through all rooms."""
        begun = toned.begin(self._folder)
        self._hint = plan_hint.find_plan(self._settings.plan_path, self._request.inputs)
        collected = begun.collected
        self._findings += collected.findings
        checkin.stop_on(self._findings)
        mark = rerun.mark_of(self._folder, collected.files)
        if self._request.rehash:
            self._keeper.rehash()
        elif (known := rerun.unchanged(self._folder, mark)) is not None:
            self._keeper.timings += known.timings
            self._clear_drafts()
            return known
        checked, scanned = checkin.check_in(self._folder, collected.files, self._keeper, self._progress)
        self._scans = checked.scans
        self._findings += checked.findings + checkin.check_together(self._request, self._scans, begun.profile)
        checkin.stop_on(self._findings)
        self._findings += tuple(check_settings.beside_preflight(self._findings, self._scans, self._settings.scan_dpi))
        said = toned.books(self._folder.root, self._scans)
        fitting.require_lengths(self._settings, has_ruler=bool(said.ties.distances))
        layering.take_files(self._folder, [scan.scan_id for scan in self._scans])
        sheet = toned.white(self._folder, begun, self._scans, self._progress)
        read = self._scans if sheet is None else (*self._scans, sheet.scan)
        if not self._folder.master.exists():
            room.require_least(self._folder.root, self._scans, self._settings)
        if not self._only_plan:
            rerun.forget(self._folder)
            facts = [(scan.path, scan.sha256, scan.byte_count) for scan in read]
            self._folder.record_scans(facts[: len(self._scans)], None if sheet is None else facts[-1])
        self._findings += by_hand.ties_note(said.ties)
        how = self._settings.resample
        with toned.toned(
            self._folder, self._keeper, begun, self._scans, scanned, said.ties, sheet, self._progress
        ) as ready:
            job, sources, layout, tone, tables = ready.job, ready.sources, ready.layout, ready.tone, ready.tables
            wished = wishing.placed(self._folder, said.wishes, ready.frame, only_plan=self._only_plan)
            seams, seamed = making.cut_seams(job, sources, layout, tables, ready.mark, wished.places)
            history = telling.history(layout, tone, making.eased_scans(job, tone), self._scans, ready.ppi, how=how)
            spec = self._spec(ready.profile, job.bits, history, layout)
            uncovered = placing.uncovered_code(ready.placed, job.bits)
            layering.require_room(ready)
            hashing = telling.Hashing(read, job.threads)
            when_read = None if self._settings.layers else hashing.begin
            master, _ = making.write_master(
                job, sources, layout, tables, seams.label_map, spec, uncovered, seamed, when_read=when_read
            )
            if not self._only_plan:
                wishing.keep_frame(self._folder, ready.frame)
            maps = placed_maps(layout, ready.sizes)
            check = sizing.check_master(job, master, layout.canvas_ppi, lambda: making.overview(job, layout))
            self._findings += layering.write_layers(ready, seams.label_map, spec, uncovered, seamed)
            if not self._only_plan:
                layering.leave_only_asked(ready)
        check = with_distances(check, said.ties.distances, maps, layout.canvas_ppi, self._settings.tolerance_mm)
        self._findings = check_settings.without_what_pixels_tell(self._findings, ready.placed.findings)
        self._findings += self._noticed(ready, seams, wish_findings(wished, seams.outcomes), check)
        if self._only_plan:
            raise OnlyPlanned
        self._findings += rerun_findings(self._keeper)
        hashes = hashing.hashes()
        self._findings += telling.hash_findings(read, hashes)
        has_failed = _exit_code(self._findings) > 0
        self._findings += calibration.finish(
            begun.scanner,
            self._folder,
            layout.bed,
            ready.placed.observed_bed,
            dpi=median(ready.ppi.values()),
            has_failed=has_failed,
        )
        summary = self._summary(
            layout=layout,
            tone=tone,
            seams=seams.lines,
            size_check=check,
            master_spec=spec,
            master=master,
            sha256_after=tuple(hashes.items()),
            exit_code=_exit_code(self._findings),
        )
        counts = seam_checks.on_painting(ready.placed.painting_px, layout.canvas_ppi)
        self._report(summary, seams.label_map, making.overview(job, layout), counts)
        self._clear_drafts()
        if self._keeper.is_still():
            rerun.save(self._folder, rerun.mark_of(self._folder, collected.files), summary)
        return summary

    def _noticed(
        self, ready: toned.Toned, seams: making.Seams, wished: Sequence[Finding], check: SizeCheck
    ) -> tuple[Finding, ...]:
        """Everything to be said of a master, in the order it is told."""
        layout = ready.layout
        return (
            *distance_findings(check),
            *ready.placed.findings,
            *plan_hint.findings_of_join(self._hint, self._scans, layout, ready.placed.painting_px, self._settings),
            *noticed.turned_findings(layout, ready.tone.reference_id),
            *noticed.bed_findings(layout),
            *noticed.light_findings(ready.tone),
            *wished,
            *seam_checks.seam_findings(seams.lines, layout, ready.placed.painting_px),
            *sizing.size_findings(check),
            *missing.missing_findings(check, layout.canvas, self._settings),
        )

    def _clear_drafts(self) -> None:
        """A draft of seams has been taken up, or overtaken."""
        if not self._only_plan:
            self._folder.remove_own(self._folder.drafts)

    def leave_nothing(self) -> None:
        """Remove what was kept for later runs of a job that never began."""
        if self._folder.record is None:
            self._keeper.discard()

    def refused(self) -> RunSummary:
        """The scans do not go together: everything noticed, and no report, since nothing was made."""
        self.leave_nothing()
        return self._summary(sha256_after=(), exit_code=ScanError.exit_code)

    def stopped(self, stop: RegisterError) -> RunSummary:
        """Leave a report that says which scans, why, and what to do next."""
        advice, command = way_out(self._folder.root, self._request, stop, self._scans)
        ppi = checkin.resolutions(self._scans, self._settings.scan_dpi)
        planned = plan_hint.words_when_stopped(self._hint, stop, self._scans, ppi)
        message = f"{stop.message} {planned}".rstrip()
        self._findings += (*stop.findings, Finding("not-placed", Severity.STOP, message, advice, stop.scan_ids))
        summary = self._summary(
            sha256_after=tuple(telling.Hashing(self._scans).hashes().items()),
            next_command=command,
            exit_code=stop.exit_code,
            links_found=stop.links,
            places_found=dict(stop.places),
        )
        suspects = telling.pictures_of(self._scans, stop.suspects, self._folder.scratch)
        telling.write_report(self._folder, summary, None, None, {}, suspects=suspects)
        self._folder.write_checksums()
        return summary

    def _spec(self, profile: bytes | None, bits: int, history: tuple[str, ...], layout: Layout) -> MasterSpec:
        settings, used = self._settings, {placement.scan_id for placement in layout.placements}
        return MasterSpec(
            size=layout.canvas,
            bits=bits,
            ppi=layout.canvas_ppi,
            profile=profile,
            title=settings.title,
            creator=settings.creator,
            rights=settings.rights,
            history=history,
            ingredients=tuple(dict.fromkeys((s.path.name, s.sha256) for s in self._scans if s.scan_id in used)),
            compression=settings.compression,
        )

    def _summary(self, **known: Any) -> RunSummary:
        facts: dict[str, Any] = {
            "layout": None,
            "tone": None,
            "seams": None,
            "size_check": None,
            "master_spec": None,
            "master": None,
            "next_command": "",
            **known,
        }
        return RunSummary(
            tool_version=__version__,
            started_at=self._started_at,
            job_name=self._folder.root.name,
            settings=self._settings,
            scans=self._scans,
            findings=self._findings,
            timings=tuple(self._keeper.timings),
            **facts,
        )

    def _report(
        self,
        summary: RunSummary,
        label_map: LabelMap,
        overview: Overview,
        counts: Callable[[tuple[float, float]], bool],
    ) -> None:
        sizes = {scan.scan_id: scan.size for scan in self._scans}
        assert summary.master is not None
        source = open_known(self._folder.master, summary.master.sha256, scratch=self._folder.scratch)
        try:
            telling.write_report(self._folder, summary, source, label_map, sizes, overview=overview, counts=counts)
        finally:
            source.close()
        self._folder.write_checksums()


def rerun_findings(keeper: Keeper) -> tuple[Finding, ...]:
    """What was kept of an earlier run, and why the rest was done again; nothing for a first run."""
    steps = rerun.steps(keeper)
    if not any(step.is_kept for step in steps):
        return ()
    return (Finding("kept", Severity.NOTE, rerun.told(steps)),)


def _exit_code(findings: tuple[Finding, ...]) -> int:
    return 1 if any(finding.severity is Severity.FAILED for finding in findings) else 0
