"""Keep what an earlier run of the job made and is still valid; make the rest, and note how long it took."""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from stitch.errors import ScanError
from stitch.job.folder import JobFolder
from stitch.job.state import JobState, fingerprint
from stitch.job.whole import write_text_whole
from stitch.model.codec import from_plain, to_plain
from stitch.model.findings import Finding
from stitch.model.report import Timing
from stitch.pipeline.known import Known
from stitch.pipeline.memory import give_back
from stitch.pipeline.meter import Meter

T = TypeVar("T")

FileFacts = tuple[int, int, int]
"""Bytes, time of the last change of the content and of the file, in ns: unlike when a file was written to."""

VERSIONS = {"scans": 1, "register": 19, "tone": 8, "seams": 7, "master": 5, "size": 3, "layers": 1, "masks": 1}
"""In the order of a run. Raised by hand when a room's result changes, so that an older job's is made again."""

ONLY_ASKED = ("layers", "masks")
"""Rooms of a run that was asked for them."""

_WORDS = {
    "dpi": "--dpi changed",
    "up_deg": "--up changed",
    "ppi": "the scans' resolution changed",
    "allow_gaps": "--allow-gaps changed",
    "tone": "--tone changed",
    "tone_reference": "--tone-reference changed",
    "flat": "the white sheet changed",
    "tape_mm": "the tape measure changed",
    "ties": "ties.csv changed",
    "scanner": "the scanner file changed",
    "wishes": "seams.csv changed",
}


class OnlyPlanned(Exception):
    """A plan came to the first room that would be done again."""


@dataclass(frozen=True, slots=True)
class Kept:
    """A room's result and the fingerprint that later rooms build on."""

    value: Any
    fingerprint: str


class Keeper:
    """The rooms of one job, kept or made."""

    def __init__(self, job: JobFolder, *, only_plan: bool = False, may_make: Collection[str] = ()) -> None:
        """`only_plan` : no room is made but those in `may_make`."""
        self._job = job
        self._only_plan = only_plan
        self._may_make = may_make
        self.reasons: dict[str, str] = {}  # why rooms are done again
        self._state, note = JobState.load(job.state_file, job.root)
        self.known = Known(job.work / "known")
        self._watched: dict[Path, FileFacts] = {}
        self.timings: list[Timing] = []
        self.notes: tuple[Finding, ...] = () if note is None else (note,)

    @property
    def rooms(self) -> tuple[str, ...]:
        """The rooms of this job's run, in order."""
        return tuple(room for room in VERSIONS if room not in ONLY_ASKED or self._job.request.settings.layers)

    def watch(self, files: Sequence[Path]) -> dict[Path, FileFacts]:
        """The facts of the files that rooms read. What a room makes after one of them changed is not kept.

        Raises ScanError when one cannot be looked at.
        """
        self._watched = {path: _facts(path) for path in files}
        return self._watched

    def room(
        self,
        name: str,
        inputs: Sequence[Any],
        settings: Mapping[str, Any],
        outputs: Sequence[Path],
        *,
        make: Callable[[], T],
        load: Callable[[], T],
    ) -> tuple[T, str]:
        """The room's result and its fingerprint. `make` must leave every one of `outputs` written.

        `inputs` : fingerprints of earlier rooms and checksums; `settings` : only those this room reads.
        """
        mark = fingerprint(name, VERSIONS[name], inputs, settings)
        meter = Meter()
        if self._state.kept(name, mark):
            try:
                value = load()
            except (OSError, EOFError, ValueError, KeyError, TypeError, AttributeError):
                self._state.forget(name)
            else:
                self.timings.append(meter.timing(name, is_kept=True))
                return value, mark
        parts = _parts(name, inputs, settings)
        self.reasons[name] = self._why(name, parts)
        if self._only_plan and name not in self._may_make:
            raise OnlyPlanned
        value = make()
        give_back()
        timing = meter.timing(name, is_kept=False)
        if self.is_still():
            known = self._job.stamps(outputs)
            self._state.record(name, mark, outputs, seconds=timing.seconds, parts=parts, known=known)
        else:
            self._state.forget(name)
        self.timings.append(timing)
        return value, mark

    def _why(self, name: str, parts: Mapping[str, str]) -> str:
        before = self._state.parts(name)
        if before is None:
            return "not done before"
        changed = [part for part in parts if parts[part] != before.get(part)]
        named = [_WORDS.get(part, f"{part.replace('_', ' ')} changed") for part in changed if part != "before"]
        if "version" in changed:
            return "this stitch does it differently"
        if named:
            return " and ".join(named)
        if changed:
            return "what it builds on changed" if name != "scans" else "scans were added, removed or changed"
        return "what it had left was changed or removed"

    def rehash(self) -> None:
        """Look at every scan again, whatever its size and times say."""
        self._state.forget("scans")

    def is_still(self) -> bool:
        """True while every file watched is as it was when the run began."""
        try:
            return all(_facts(path) == facts for path, facts in self._watched.items())
        except ScanError:
            return False

    def discard(self) -> None:
        """Remove everything kept so far: of a job that came to nothing."""
        for name in VERSIONS:
            for path in self._state.outputs(name):
                path.unlink(missing_ok=True)
        self.known.discard()
        self._job.state_file.unlink(missing_ok=True)


def _parts(name: str, inputs: Sequence[Any], settings: Mapping[str, Any]) -> dict[str, str]:
    """The fingerprint of each thing a room's own is made of."""
    parts = {key: fingerprint(name, 0, [value], {}) for key, value in settings.items()}
    return {"version": str(VERSIONS[name]), "before": fingerprint(name, 0, inputs, {}), **parts}


def _facts(path: Path) -> FileFacts:
    try:
        found = path.stat()
    except OSError as error:
        raise ScanError(f"{path.name} went away or cannot be looked at.", advice="Is its disk still there?") from error
    return found.st_size, found.st_mtime_ns, found.st_ctime_ns


def save_record(path: Path, record: object) -> None:
    """Write a record as JSON, whole. Raises WriteError."""
    write_text_whole(path, json.dumps(to_plain(record), ensure_ascii=False, indent=1) + "\n")


def require_same(found: Iterable[str], wanted: Iterable[str]) -> None:
    """Raise ValueError unless a kept result is about just the scans wanted."""
    if sorted(found) != sorted(wanted):
        raise ValueError("a kept result of other scans")


def load_record(kind: type[T], path: Path) -> T:
    """Read a record back. Raises OSError, ValueError, KeyError or TypeError when it does not fit."""
    return from_plain(kind, json.loads(path.read_text(encoding="utf-8")))
