"""The size check, on a job's new master or on any finished one."""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

from stitch.errors import ScanError
from stitch.imaging.overview import Overview
from stitch.model.findings import Finding, Severity
from stitch.model.master import MasterRecord
from stitch.model.settings import Measured
from stitch.model.size import SizeCheck, SizeReading
from stitch.pipeline.job import Job
from stitch.pipeline.keep import load_record, save_record
from stitch.progress import SILENT, Progress
from stitch.scans.preflight import effective_ppi
from stitch.scans.readers import open_image, open_known
from stitch.size.measure import measure


def check_size(
    path: Path,
    *,
    width_mm: float | None,
    height_mm: float | None,
    measured: Measured = Measured.SHEET,
    tolerance_mm: float | None = None,
    progress: Progress = SILENT,
) -> SizeCheck:
    """Measure the painting in a finished master.

    All of it counts as painted. Raises ScanError when the file cannot be read or states no dpi.
    """
    with tempfile.TemporaryDirectory(prefix="stitch-") as scratch:
        scan, source = open_image(path, scratch=Path(scratch))
        try:
            if scan.ppi_x is None:
                raise ScanError(
                    f"{path.name} does not say how many pixels make an inch, so its size cannot be told.",
                    advice="Use a master that stitch wrote, or set the resolution where the file was made.",
                )
            return measure(
                source,
                effective_ppi(scan, None),
                width_mm=width_mm,
                height_mm=height_mm,
                measured=measured,
                tolerance_mm=tolerance_mm,
                progress=progress,
            )
        finally:
            source.close()


def check_master(job: Job, master: MasterRecord, ppi: float, overview: Callable[[], Overview]) -> SizeCheck:
    """The size check on the job's own master, kept while neither master nor tape changes."""
    saved, settings = job.folder.work / "size.json", job.settings
    asked = {name: getattr(settings, name) for name in ("width_mm", "height_mm", "measured", "tolerance_mm")}

    def make() -> SizeCheck:
        source = open_known(job.folder.master, master.sha256, scratch=job.folder.scratch)
        with contextlib.closing(source):
            found = measure(source, ppi, overview=overview(), jobs=job.threads, progress=job.progress, **asked)
        save_record(saved, found)
        return found

    return job.keeper.room(
        "size", [master.sha256], asked, [saved], make=make, load=lambda: load_record(SizeCheck, saved)
    )[0]


def size_findings(check: SizeCheck) -> tuple[Finding, ...]:
    """What the size check has to say: a wrong size, an edge that is not in view, no tape measure, swapped sides."""
    found = []
    for axis in ("width", "height"):
        wrong = [reading for reading in check.readings if reading.is_ok is False and reading.name.startswith(axis)]
        if wrong:
            found.append(_wrong_size(axis, wrong))
    hidden = [edge.side for edge in check.edges if not edge.is_in_view]
    if hidden:
        found.append(
            Finding(
                "edge-not-in-view",
                Severity.WARNING,
                f"The painting's {_listed(hidden)} edge cannot be made out, so sizes that need it were not checked.",
                "Let a little of the lid show around the painting; behind white paper lay a darker sheet.",
            )
        )
    elif all(reading.expected_mm is None for reading in check.readings):
        found.append(
            Finding(
                "size-not-given",
                Severity.NOTE,
                "No tape measure was given, so the size was not checked.",
                "Measure the painting and add --width and --height to the same command; what is done already is kept.",
            )
        )
    if check.is_swapped:
        found.append(
            Finding(
                "sides-swapped",
                Severity.NOTE,
                "Width and height were given the other way round; they were compared the way the master lies.",
                "Nothing to do; --up turns the master.",
            )
        )
    return tuple(found)


def _wrong_size(axis: str, wrong: Sequence[SizeReading]) -> Finding:
    measured = _listed([f"{one.measured_mm:.1f} mm at the {one.name.removeprefix(axis).strip()}" for one in wrong])
    return Finding(
        "size",
        Severity.FAILED,
        f"The {axis} measures {measured} of the master; the tape says {wrong[0].expected_mm or 0.0:.1f} mm "
        f"(allowed: ± {wrong[0].tolerance_mm or 0.0:.1f} mm).",
        "Measure again with the tape: from edge to edge of the sheet, or of the painted part with --measured paint. "
        "If the tape was right, the scans do not have the resolution that they state.",
    )


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
