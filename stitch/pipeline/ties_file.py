"""The book of ties of a job, from outside a run."""

from __future__ import annotations

from pathlib import Path

from stitch.errors import UsageError
from stitch.job.folder import JobFolder
from stitch.model.scans import Scan
from stitch.model.ties import TieBook
from stitch.pipeline import by_hand
from stitch.pipeline.checkin import CheckedIn
from stitch.pipeline.keep import load_record
from stitch.ties.book import BOOK_NAME, records_of, write_book
from stitch.ties.lines import require_inside


def scans_of(root: Path) -> tuple[Scan, ...]:
    """The scans of a job as its last run saw them. Raises UsageError where there was none."""
    folder = JobFolder(root)
    try:
        return load_record(CheckedIn, folder.work / "scans.json").scans
    except (OSError, ValueError, KeyError, TypeError):
        raise UsageError(
            f"{root} is not the folder of a job that looked at its scans.",
            advice="Run stitch join on the scans first; it makes the job's folder.",
        ) from None


def scan_names(root: Path) -> tuple[str, ...]:
    """The names of a job's scans."""
    return tuple(scan.scan_id for scan in scans_of(root))


def book_of(root: Path) -> TieBook:
    """What was said by hand in a job so far. Raises UsageError."""
    return by_hand.read(root, scans_of(root))


def add_to_book(root: Path, more: TieBook) -> Path:
    """Put more into a job's book, and give its path. Nothing is written when anything of it is wrong.

    Raises UsageError, WriteError.
    """
    scans = scans_of(root)
    names = [scan.scan_id for scan in scans]
    sizes = {scan.scan_id: (scan.size.width_px, scan.size.height_px) for scan in scans}
    for record in records_of(more):
        unknown = [name for name in (record.scan_a, record.scan_b) if name not in names]
        if unknown:
            raise UsageError(f"{unknown[0]} is none of the scans.", advice=f"They are {', '.join(names)}.")
        require_inside(record, sizes)
    old = book_of(root)
    new = TieBook(old.ties + more.ties, old.apart + more.apart, old.distances + more.distances)
    path = root / BOOK_NAME
    write_book(path, new)
    return path
