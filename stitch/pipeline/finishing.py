"""The chain after the master, each step only when something it is made from changed."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from stitch import __version__
from stitch.errors import UsageError, WriteError, write_error
from stitch.finish.ledger import Entry, FileMark, Ledger, fingerprint, read_ledger
from stitch.job.checksums import sha256_of
from stitch.job.whole import write_text_whole
from stitch.progress import SILENT, Progress
from stitch.report.finished_page import finished_page

FOLDER, LEDGER, PAGE, SUMS = "finished", "finished.json", "finished.html", "checksums.sha256"
MADE_WITH = f"stitch {__version__}"


@dataclass(frozen=True, slots=True)
class Result:
    """What a step made: the files of each part, and why a part is missing."""

    files: Mapping[str, Sequence[Path]]
    missing: Mapping[str, str] = field(default_factory=dict)


Run = Callable[[Path, Path, Sequence[str], Progress], Result]
"""Picture, folder, parts wanted → what was made of it."""


@dataclass(frozen=True, slots=True)
class Step:
    """One step, ready to run.

    parts : what is made and kept by itself, by name, with the settings that count for it; one named "" for a step that
        makes one thing. goes_on : the first file of its part "" is the picture that the next step takes.
    """

    name: str
    version: int  # raised by hand when the step's result changes
    parts: Mapping[str, Mapping[str, Any]]
    run: Run
    goes_on: bool
    lists: str = ""  # pattern of files in the folder that the painter may edit: a step writes them and reads them again


@dataclass(frozen=True, slots=True)
class Part:
    """What became of one part."""

    step: str
    name: str
    files: tuple[Path, ...]
    made_with: str
    made_before_with: str = ""  # another version, when it was made again
    is_kept: bool = False


@dataclass(frozen=True, slots=True)
class FinishSummary:
    """What the chain gave."""

    page: Path
    checksums: Path
    parts: tuple[Part, ...]
    missing: tuple[str, ...]  # parts that could not be made, and why


@dataclass(slots=True)
class _Chain:
    root: Path
    ledger: Ledger
    force: bool
    parts: list[Part] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)


def master_of(job: Path) -> Path:
    """The master of a job folder, or the file itself. Raises UsageError."""
    if job.is_file():
        return job
    master = job / "master.tif"
    if not master.is_file():
        raise UsageError(f"{job} holds no master.tif.", advice="Name a job's folder, or a finished picture.")
    return master


def finish(
    master: Path, steps: Sequence[Step], *, only: Sequence[str] = (), force: bool = False, progress: Progress = SILENT
) -> FinishSummary:
    """Go through the chain; the results lie in `finished/` beside the master.

    only : names of parts (sizes) to make; steps that make other things are gone through only to lead there.
    Raises StitchError; what earlier steps made stays and is on record.
    """
    root = master.absolute().parent / FOLDER
    _require_known(steps, only)
    try:
        root.mkdir(exist_ok=True)
        saved = (root / LEDGER).read_text(encoding="utf-8") if (root / LEDGER).exists() else ""
    except OSError as error:
        raise write_error(root, error) from error
    chain = _Chain(root, read_ledger(saved), force)
    picture = master.absolute()
    for step in steps:
        wanted = [name for name in step.parts if not only or name in only or step.goes_on]
        if wanted:
            _go(chain, step, wanted, picture, progress)
        if step.goes_on:
            picture = root / chain.ledger.entries[_key(step.name, "")].files[0].name
    page = _write_page(chain, master)
    return FinishSummary(page, root / SUMS, tuple(chain.parts), tuple(chain.missing))


def _require_known(steps: Sequence[Step], only: Sequence[str]) -> None:
    known = [name for step in steps for name in step.parts if name]
    unknown = [name for name in only if name not in known]
    if unknown:
        raise UsageError(f"--only: {unknown[0]} is in no step.", advice=f"Known are {', '.join(known)}.")


def _go(chain: _Chain, step: Step, wanted: Sequence[str], picture: Path, progress: Progress) -> None:
    """Keep what is as it was, make the rest, and put it on record."""
    sha256 = sha256_of(picture)
    marks = _marks(chain, step, wanted, sha256)
    todo = []
    for name in wanted:
        entry = chain.ledger.entries.get(_key(step.name, name))
        if entry is not None and entry.fingerprint == marks[name] and _is_untouched(chain, entry):
            files = tuple(chain.root / mark.name for mark in entry.files)
            chain.parts.append(Part(step.name, name, files, entry.made_with, is_kept=True))
        else:
            _require_untouched(chain, entry)
            todo.append(name)
    made = step.run(picture, chain.root, todo, progress) if todo else Result({})
    marks = _marks(chain, step, wanted, sha256)
    for name in todo:
        if name not in made.files:
            chain.missing.append(f"{_key(step.name, name)}: {made.missing.get(name, 'not made')}")
            continue
        before = chain.ledger.entries.get(_key(step.name, name))
        entry = Entry(marks[name], MADE_WITH, tuple(_mark(chain, path) for path in made.files[name]))
        chain.ledger.entries[_key(step.name, name)] = entry
        earlier = before.made_with if before is not None and before.made_with != MADE_WITH else ""
        chain.parts.append(Part(step.name, name, tuple(made.files[name]), MADE_WITH, earlier))
    if todo:
        write_text_whole(chain.root / LEDGER, chain.ledger.text())


def _marks(chain: _Chain, step: Step, wanted: Sequence[str], input_sha256: str) -> dict[str, str]:
    """Fingerprints by part, with what stands in the painter's lists now."""
    said = [sha256_of(path) for path in sorted(chain.root.glob(step.lists))] if step.lists else []
    every = {"lists": said} if said else {}
    return {name: fingerprint(step.name, step.version, {**step.parts[name], **every}, input_sha256) for name in wanted}


def _is_untouched(chain: _Chain, entry: Entry) -> bool:
    return all(_is_as_made(chain.root / mark.name, mark) for mark in entry.files)


def _is_as_made(path: Path, mark: FileMark) -> bool:
    try:
        return path.stat().st_size == mark.byte_count and sha256_of(path) == mark.sha256
    except OSError:
        return False


def _require_untouched(chain: _Chain, entry: Entry | None) -> None:
    """What somebody changed after it was made is not written over."""
    if entry is None or chain.force:
        return
    for mark in entry.files:
        path = chain.root / mark.name
        if path.exists() and not _is_as_made(path, mark):
            raise WriteError(
                f"{path} was changed since it was made; it was not replaced.",
                advice="Move it away, or add --force to make it again.",
            )


def may_replace(root: Path, path: Path, *, force: bool) -> bool:
    """Whether a file in the way is one that the chain itself made and nobody changed."""
    if force or not path.exists():
        return True
    ledger = root / LEDGER
    mark = None
    if ledger.exists():
        mark = read_ledger(ledger.read_text(encoding="utf-8")).mark_named(path.relative_to(root).as_posix())
    return mark is not None and _is_as_made(path, mark)


def _mark(chain: _Chain, path: Path) -> FileMark:
    return FileMark(path.relative_to(chain.root).as_posix(), sha256_of(path), path.stat().st_size)


def _write_page(chain: _Chain, master: Path) -> Path:
    rows, sums = [], []
    for key, entry in chain.ledger.entries.items():
        for mark in entry.files:
            if (chain.root / mark.name).exists():
                rows.append((key, mark.name, f"{mark.byte_count / 1e6:.1f}", entry.made_with, mark.sha256))
                sums.append(f"{mark.sha256}  {mark.name}\n")
    others = sorted({entry.made_with for entry in chain.ledger.entries.values()} - {MADE_WITH})
    notes = [f"Made from {master.name}, SHA-256 {sha256_of(master)}."]
    if others:
        notes.append(f"Some files were made with {', '.join(others)}; this page was written by {MADE_WITH}.")
    write_text_whole(chain.root / SUMS, "".join(sums))
    page = chain.root / PAGE
    write_text_whole(page, finished_page(master.absolute().parent.name, rows, notes, __version__))
    return page


def _key(step: str, part: str) -> str:
    return f"{step} {part}".strip()
