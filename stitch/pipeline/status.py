"""How every job below a folder stands: joined, checked, what is missing, what is out of date. Nothing is written."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from stitch.errors import StitchError
from stitch.job.folder import JobFolder
from stitch.job.place import JOB_FILE
from stitch.model.findings import Severity
from stitch.model.request import JoinRequest
from stitch.model.settings import JoinSettings
from stitch.pipeline import checkin, rerun

OWN_FOLDERS = ("work",)


class State(StrEnum):
    """How a job stands, the best first."""

    CHECKED = "checked"  # joined, and every check passed, the size among them
    JOINED = "joined"  # joined, but its size was not checked
    DOUBTFUL = "doubtful"  # joined, but a check failed
    STALE = "stale"  # something changed since it was joined
    MISSING = "missing"  # scans or results are gone
    STOPPED = "not joined"


@dataclass(frozen=True, slots=True)
class Standing:
    """One job: its folder, how it stands, and what is to be said of that ("" when nothing)."""

    root: Path
    state: State
    said: str


def standings(root: Path) -> Iterator[Standing]:
    """Every job at or below a folder, in the order of their paths."""
    for folder, below, files in os.walk(root):
        below.sort()
        if JOB_FILE in files:
            job = JobFolder(Path(folder))
            if job.record is not None:
                below[:] = [name for name in below if name not in OWN_FOLDERS]
                yield _standing(job)


def _standing(job: JobFolder) -> Standing:
    try:
        opened = JobFolder.open_or_create(JoinRequest((job.root,), JoinSettings()))
        files = checkin.find(opened.request).files
    except StitchError as trouble:
        return Standing(job.root, State.MISSING, trouble.message)
    last = rerun.last_run(opened)
    if last is None and job.master.exists():
        return Standing(job.root, State.STALE, "its last run did not end, or was an older stitch's: join it again")
    if last is None or not job.master.exists():
        return Standing(job.root, State.STOPPED, _stopped(job))
    gone = [path.name for path in job.results if not path.exists()]
    if gone:
        return Standing(job.root, State.MISSING, f"{', '.join(gone)}: gone")
    changed = rerun.changed_since(opened, last, files)
    if changed:
        return Standing(job.root, State.STALE, changed)
    failed = [one.message for one in last.summary.findings if one.severity is Severity.FAILED]
    if failed:
        return Standing(job.root, State.DOUBTFUL, failed[0] + (f" (and {len(failed) - 1} more)" if failed[1:] else ""))
    check = last.summary.size_check
    is_measured = check is not None and any(reading.is_ok for reading in check.readings)
    return Standing(job.root, State.CHECKED if is_measured else State.JOINED, "" if is_measured else "size not checked")


def _stopped(job: JobFolder) -> str:
    """Why the last run of a job made no master, as its report has it."""
    try:
        findings = json.loads(job.report_json.read_text(encoding="utf-8"))["findings"]
        return next(one["message"] for one in findings if one["severity"] == Severity.STOP)
    except (OSError, ValueError, KeyError, TypeError, StopIteration):
        return "it was not finished"
