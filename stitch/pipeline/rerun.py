"""What a run of a job keeps of the earlier one and what it does again, and why: told beforehand and afterwards."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from stitch import __version__
from stitch.job.files import sha256_of
from stitch.job.folder import JobFolder
from stitch.model.codec import to_plain
from stitch.model.findings import Finding, Severity
from stitch.model.report import RunSummary, Timing
from stitch.pipeline.keep import VERSIONS, Keeper, load_record, save_record
from stitch.pipeline.plan_hint import places_looked_at
from stitch.ties.book import BOOK_NAME
from stitch.wishes.book import BOOK_NAME as WISHES_NAME

SAVED = "summary.json"
ONCE = ("scanner-saved",)  # findings that tell what a run did, and are not true of the next
ROOM_WORDS = {
    "scans": "looking at the scans",
    "register": "where they lie",
    "tone": "tone",
    "seams": "seams",
    "master": "the master",
    "layers": "layers",
    "masks": "their masks",
    "size": "size check",
}


@dataclass(frozen=True, slots=True)
class Step:
    """One room of a run, kept or not, and why not."""

    room: str
    is_kept: bool
    why: str = ""


@dataclass(frozen=True, slots=True)
class Last:
    """The last run that came to its end: what it was given, and what it found."""

    mark: str
    results: tuple[tuple[str, int, int, int], ...]  # name, bytes and times of each result
    summary: RunSummary


def mark_of(folder: JobFolder, files: Iterable[Path]) -> str:
    """What decides the result of a run: settings, facts of the scans' files, and small files that are read."""
    settings = folder.request.settings
    read = [*files, *([Path(settings.flat_path)] if settings.flat_path else [])]
    facts = [(str(path), *_facts(path)) for path in read]
    books = [folder.root / name for name in (BOOK_NAME, WISHES_NAME)]
    named = (settings.profile_path, settings.scanner_path, settings.plan_path)
    small = [*books, *(Path(p) for p in named if p), *places_looked_at(folder.request.inputs)]
    plain = {
        "version": [__version__, VERSIONS],
        "settings": to_plain(settings),
        "scans": facts,
        "files": [(str(path), sha256_of(path) if path.is_file() else "") for path in small],
    }
    return hashlib.sha256(json.dumps(plain, sort_keys=True).encode()).hexdigest()


def save(folder: JobFolder, mark: str, summary: RunSummary) -> None:
    """Note what a run that came to its end was given and found. Raises WriteError."""
    save_record(folder.work / SAVED, Last(mark, _results(folder), summary))


def unchanged(folder: JobFolder, mark: str) -> RunSummary | None:
    """What the last run found, when nothing it was given or left has changed since."""
    last = last_run(folder)
    if last is None or last.mark != mark or last.results != _results(folder):
        return None
    note = Finding("nothing-changed", Severity.NOTE, "Nothing has changed since the last run: nothing was done again.")
    kept = tuple(Timing(one.room, 0.0, is_kept=True) for one in last.summary.timings)
    still = tuple(finding for finding in last.summary.findings if finding.code not in ONCE)
    return replace(last.summary, findings=(note, *still), timings=kept)


def last_run(folder: JobFolder) -> Last | None:
    """The last run that came to its end; None when there was none."""
    try:
        return load_record(Last, folder.work / SAVED)
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None


def changed_since(folder: JobFolder, last: Last, files: Sequence[Path]) -> str:
    """What changed since a run came to its end, in words; "" when nothing did."""
    if last.results != _results(folder):
        now = {name: facts for name, *facts in _results(folder)}
        names = [name for name, *facts in last.results if now.get(name) != facts]
        return f"{', '.join(names)} changed after the job was joined"
    if last.mark != mark_of(folder, files):
        return "scans, ties, wishes or settings changed after it was joined"
    return ""


def forget(folder: JobFolder) -> None:
    """Before anything is written: the last run's findings are no longer those of the files there."""
    (folder.work / SAVED).unlink(missing_ok=True)


def steps(keeper: Keeper) -> tuple[Step, ...]:
    """Every room gone through, and those that would follow."""
    done = [Step(one.room, one.is_kept, keeper.reasons.get(one.room, "")) for one in keeper.timings]
    left = keeper.rooms[len(done) :]
    return (*done, *(Step(room, is_kept=False, why=keeper.reasons.get(room, "it builds on these")) for room in left))


def told(found: Sequence[Step]) -> str:
    """One sentence on what is kept and what is not, and why."""
    kept = ", ".join(ROOM_WORDS[one.room] for one in found if one.is_kept)
    again = ", ".join(f"{ROOM_WORDS[one.room]} ({one.why})" for one in found if not one.is_kept)
    return " ".join(filter(None, (f"Kept: {kept}." if kept else "", f"Done again: {again}." if again else "")))


def _results(folder: JobFolder) -> tuple[tuple[str, int, int, int], ...]:
    return tuple((path.name, *_facts(path)) for path in folder.results)


def _facts(path: Path) -> tuple[int, int, int]:
    try:
        found = path.stat()
    except OSError:
        return 0, 0, 0
    return found.st_size, found.st_mtime_ns, found.st_ctime_ns


def plain_step(step: Step) -> str:
    """One line of a plan."""
    return f"{'keep' if step.is_kept else 'do':<5}{ROOM_WORDS[step.room]}{f': {step.why}' if step.why else ''}"
