"""Looking at one file: its pages as scans, with their facts, checksum and clipped shares."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass
from pathlib import Path
from typing import cast

from stitch.model.findings import Finding, Severity
from stitch.model.scans import Scan
from stitch.progress import SILENT, Progress
from stitch.scans.facts import TiffPage
from stitch.scans.measure import ClipCount, can_measure_while_hashing, file_sha256, hash_and_measure, measure_page
from stitch.scans.naming import scan_names, shown
from stitch.scans.orientation import shown_size, swaps_axes
from stitch.scans.sources import Page, facts_of, headers, open_stored
from stitch.scans.trouble import reading


@dataclass(frozen=True, slots=True)
class Inspected:
    """The scans of one file, and what was noticed while looking at it."""

    scans: tuple[Scan, ...]
    findings: tuple[Finding, ...]


def inspect(path: Path, scan_ids_taken: Collection[str], *, scratch: Path, progress: Progress = SILENT) -> Inspected:
    """Look at a file: one scan per full page.

    Parameters
    ----------
    scan_ids_taken : names of other scans of the job, which this file's must not repeat.
    scratch : folder for working copies of files that can only be decoded whole; kept for `open_scan`.

    Raises ScanError, naming the file, when it cannot be read or is not supported; WriteError for the scratch folder.
    """
    found = look(path, scratch=scratch)
    with progress.task(f"Checking {shown(path.name)}", found.work) as task:
        found.measure(task.advance)
    return found.inspected(scan_ids_taken)


@dataclass(slots=True, eq=False)
class Look:
    """One file under way: its pages are known, its bytes are still to be read by `measure`."""

    path: Path
    pages: tuple[Page, ...]
    scratch: Path
    work: int  # bytes, and pixels where they need a pass of their own
    is_read_often: bool = False
    _read: tuple[str, list[ClipCount], int] | None = None  # checksum, clipped pixels, size of the file

    def measure(self, step: Callable[[int], None]) -> None:
        """Read the whole file; `step` is told of the work done. Raises ScanError, WriteError."""
        with reading(self.path):
            sha256, counts = _measured(self.path, self.pages, self.scratch, step, is_read_often=self.is_read_often)
            self._read = sha256, counts, self.path.stat().st_size

    def inspected(self, scan_ids_taken: Collection[str]) -> Inspected:
        """What was found, after `measure`; `scan_ids_taken` as for `inspect`."""
        assert self._read is not None, "not measured yet"
        sha256, counts, byte_count = self._read
        names = scan_names(self.path, len(self.pages), scan_ids_taken)
        pairs = list(zip(self.pages, counts, names, strict=True))
        scans = tuple(scan_of(self.path, page, count, name, sha256, byte_count) for page, count, name in pairs)
        return Inspected(scans, tuple(note for page, count, name in pairs for note in _notes(page, count, name)))


def look(path: Path, *, scratch: Path, is_read_often: bool = False) -> Look:
    """Begin to look at a file: only its head is read. Raises ScanError, naming the file.

    `is_read_often` : see `sources.open_stored`.
    """
    path = path.absolute()
    pages = headers(path)
    with reading(path):
        return Look(path, pages, scratch, _work(path, pages), is_read_often)


def _work(path: Path, pages: tuple[Page, ...]) -> int:
    """What `_measured` will step through: the file's bytes, and the pixels where they need a pass of their own."""
    sizes = [facts_of(page).size for page in pages if not can_measure_while_hashing(pages)]
    return path.stat().st_size + sum(size.width_px * size.height_px for size in sizes)


def _measured(
    path: Path, pages: tuple[Page, ...], scratch: Path, step: Callable[[int], None], *, is_read_often: bool
) -> tuple[str, list[ClipCount]]:
    if can_measure_while_hashing(pages):
        return hash_and_measure(path, cast(tuple[TiffPage, ...], pages), step)
    sha256 = file_sha256(path, step)
    counts = []
    for page in pages:
        stored = open_stored(path, page, sha256, scratch=scratch, is_read_often=is_read_often)
        try:
            counts.append(measure_page(facts_of(page), stored, step))
        finally:
            stored.close()
    return sha256, counts


def scan_of(path: Path, page: Page, count: ClipCount, name: str, sha256: str, byte_count: int) -> Scan:
    """The facts of one page as a scan."""
    facts = facts_of(page)
    ppi = (facts.ppi_y, facts.ppi_x) if swaps_axes(facts.orientation) else (facts.ppi_x, facts.ppi_y)
    return Scan(
        scan_id=name,
        path=path,
        page_index=facts.page_index,
        size=shown_size(facts.size, facts.orientation),
        bits=facts.bits,
        is_grey=facts.is_grey,
        ppi_x=ppi[0],
        ppi_y=ppi[1],
        orientation=facts.orientation,
        file_format=facts.file_format.value,
        compression=facts.compression,
        profile=facts.profile,
        sha256=sha256,
        byte_count=byte_count,
        clipped_low_fraction=count.low_fraction,
        clipped_high_fraction=count.high_fraction,
    )


def _notes(page: Page, count: ClipCount, name: str) -> list[Finding]:
    facts = facts_of(page)
    if not facts.extra_count:
        return []
    if count.is_opaque or not facts.is_premultiplied:
        message = f"{name} has an extra channel (transparency or the like) beside its colours; it was left out."
        return [Finding("extra-channel-dropped", Severity.NOTE, message, scan_ids=(name,))]
    message = f"{name} has see-through parts whose colours were darkened with them; they stay darkened."
    advice = "Save the scan without transparency, from the raw scan if you have it."
    return [Finding("transparent-parts", Severity.WARNING, message, advice, (name,))]
