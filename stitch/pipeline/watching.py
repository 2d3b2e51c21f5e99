"""A check that goes on while the scans are made: each is looked at when it has landed, and the next piece is named."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePath

from stitch.errors import ScanError
from stitch.model.check import Verdict
from stitch.model.findings import Finding, Severity
from stitch.model.plan import PlannedScan, ScanPlan
from stitch.model.store import MemoryStore
from stitch.pipeline.checking import Checked, check_files, name_of
from stitch.scans.collect import collect

NOT_YET = ("missing", "edge-not-in-view", "size-unlike-plan")  # findings of a set that is not whole
STILL_LOOKS = 2  # looks in a row that must show a file unchanged before it is read
PATIENT_LOOKS = 20  # looks at an unchanged file that cannot be read before that is said

Stamp = tuple[int, int]
"""Bytes and time of the last change, ns."""


@dataclass(frozen=True, slots=True, eq=False)
class Landed:
    """Scans that are new or were made again, and the check of all there are. `next` : the piece to scan, if known."""

    names: tuple[str, ...]
    checked: Checked
    next: PlannedScan | None
    is_complete: bool  # every piece of the plan is there, and nothing is to be scanned again
    gone: tuple[str, ...] = ()  # files that were read before and are there no more

    def findings(self) -> list[Finding]:
        """What is to be said of the new scans, and of all of them together; what is still to be scanned is no fault."""
        told = [one for one in self.checked.record.findings if one.severity in (Severity.FAILED, Severity.WARNING)]
        mine = [one for one in told if not one.scan_ids or set(one.scan_ids) & set(self.names)]
        return [one for one in mine if one.code not in NOT_YET]


@dataclass(frozen=True, slots=True)
class Unreadable:
    """A file that has not changed for a while and still cannot be read."""

    path: Path
    message: str


@dataclass(slots=True)
class _File:
    stamp: Stamp
    looks: int = 0  # in a row at which it was unchanged
    is_told: bool = False


@dataclass(slots=True)
class _Desk:
    files: dict[Path, _File] = field(default_factory=dict)
    read: dict[Path, Stamp] = field(default_factory=dict)  # files that were read whole


def watch(
    inputs: Sequence[Path],
    plan: ScanPlan | None,
    *,
    wait: Callable[[], None],
    is_plan_named: bool = True,
    only: Sequence[str] = (),
    skip: Sequence[str] = (),
    recurse: bool = False,
    scan_dpi: float | None = None,
    jobs: int | None = None,
) -> Iterator[Landed | Unreadable]:
    """Look at the folder again and again; yields for each scan that lands. Ends when the plan is complete.

    `wait` is called between two looks. A file that grows, or whose end is not there yet, is waited for. Raises
    ScanError when the folder cannot be read.
    """
    desk, store = _Desk(), MemoryStore()
    while True:
        files = collect(inputs, only=only, skip=skip, recurse=recurse, may_be_few=True).files
        gone = tuple(path.name for path in desk.read if path not in files)
        _look(desk, files)
        fresh = [path for path in files if _is_fresh(desk, path)]
        landed = [path for path in fresh if _is_whole(path, scan_dpi, store)]
        for path in landed:
            desk.read[path] = desk.files[path].stamp
        there = [path for path in files if _is_read(desk, path)]
        if there and (landed or gone):
            checked = check_files(there, plan, is_plan_named=is_plan_named, scan_dpi=scan_dpi, jobs=jobs, store=store)
            checked = replace(checked, record=replace(checked.record, name=name_of(inputs)))
            found = replace(_landed(landed, there, checked, plan), gone=gone)
            yield found
            if found.is_complete:
                return
        yield from _unreadable(desk, [path for path in fresh if path not in landed], scan_dpi)
        wait()


def _look(desk: _Desk, files: Sequence[Path]) -> None:
    """Note which files are as they were at the last look."""
    before, desk.files = desk.files, {}
    for path in files:
        try:
            found = path.stat()
        except OSError:
            continue
        stamp = found.st_size, found.st_mtime_ns
        known = before.get(path)
        desk.files[path] = _File(stamp) if known is None or known.stamp != stamp else known
        desk.files[path].looks += 1
    desk.read = {path: stamp for path, stamp in desk.read.items() if path in desk.files}


def _is_fresh(desk: _Desk, path: Path) -> bool:
    file = desk.files.get(path)
    return file is not None and file.looks >= STILL_LOOKS and desk.read.get(path) != file.stamp


def _is_read(desk: _Desk, path: Path) -> bool:
    """Whether a file is as it was when it was read; one that is just written anew is not there for the moment."""
    return path in desk.files and desk.read.get(path) == desk.files[path].stamp


def _is_whole(path: Path, scan_dpi: float | None, store: MemoryStore) -> bool:
    return _trouble(path, scan_dpi, store) == ""


def _trouble(path: Path, scan_dpi: float | None, store: MemoryStore) -> str:
    """Why a file cannot be read; "" when it can."""
    try:
        check_files([path], None, is_plan_named=False, scan_dpi=scan_dpi, jobs=1, store=store)
    except ScanError as error:
        return str(error)
    return ""


def _unreadable(desk: _Desk, paths: Sequence[Path], scan_dpi: float | None) -> Iterator[Unreadable]:
    for path in paths:
        file = desk.files[path]
        if file.looks >= PATIENT_LOOKS and not file.is_told:
            file.is_told = True
            yield Unreadable(path, _trouble(path, scan_dpi, MemoryStore()))


def _landed(landed: Sequence[Path], there: Sequence[Path], checked: Checked, plan: ScanPlan | None) -> Landed:
    record = checked.record
    new = {path.name for path in landed}
    names = tuple(scan.scan_id for scan in record.scans if scan.file_name in new)
    is_placed = any(scan.place for scan in record.scans)
    is_complete = plan is not None and is_placed and record.verdict is Verdict.GOOD and not checked.to_scan
    return Landed(names, checked, None if is_complete else _next(there, checked, plan), is_complete)


def _next(there: Sequence[Path], checked: Checked, plan: ScanPlan | None) -> PlannedScan | None:
    """The first piece that no scan covers; before two scans link, by file names, else by their count."""
    if plan is None:
        return None
    if checked.laid is not None:
        return next(iter(checked.to_scan), None)
    stems = {path.stem for path in there}
    left = [piece for piece in plan.scans if PurePath(piece.file_name).stem not in stems]
    if len(left) == len(plan.scans):
        left = left[len(there) :]
    return next(iter(left), None)
