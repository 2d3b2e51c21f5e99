"""The book of wishes of a job, from outside a run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from stitch.errors import UsageError
from stitch.imaging.affine import mm_from_px
from stitch.job.folder import JobFolder
from stitch.model.scans import Scan
from stitch.model.wishes import Wish
from stitch.pipeline import wishing
from stitch.pipeline.ties_file import scans_of
from stitch.sheet.cells import BadLine, scan_named
from stitch.wishes.book import BOOK_NAME, write_wishes
from stitch.wishes.region import region_text


def wishes_of(root: Path) -> tuple[tuple[Wish, str], ...]:
    """The wishes of a job, each with where it lies by now where that is not as written. Raises UsageError."""
    wishes = wishing.read(root, scans_of(root))
    folder = JobFolder(root)
    frame = wishing.seen_frame(folder)
    if frame is None:
        return tuple((wish, "") for wish in wishes)
    placed = wishing.placed(folder, wishes, frame, only_plan=True).placed
    moved = {one.wish.line: region_text(one.moved_mm) for one in placed if one.moved_mm is not None}
    return tuple((wish, moved.get(wish.line, "")) for wish in wishes)


def add_wishes(root: Path, more: Sequence[Wish]) -> Path:
    """Put more at the end of a job's book, and give its path. Nothing is written when anything of it is wrong.

    Raises UsageError, WriteError.
    """
    scans = scans_of(root)
    new = [_checked(wish, root, scans) for wish in more]
    return _written(root, (*wishing.read(root, scans), *new))


def remove_wishes(root: Path, lines: Sequence[int]) -> Path:
    """Take the wishes of these lines out of a job's book, and give its path. Raises UsageError, WriteError."""
    wishes = wishing.read(root, scans_of(root))
    there = [wish.line for wish in wishes]
    for line in lines:
        if line not in there:
            known = f"There are wishes in line {', '.join(map(str, there))}." if there else "It holds no wishes."
            raise UsageError(f"Line {line} of {BOOK_NAME} holds no wish.", advice=known)
    return _written(root, [wish for wish in wishes if wish.line not in lines])


def _written(root: Path, wishes: Sequence[Wish]) -> Path:
    path = root / BOOK_NAME
    write_wishes(path, wishes)
    return path


def _checked(wish: Wish, root: Path, scans: Sequence[Scan]) -> Wish:
    names = [scan.scan_id for scan in scans]
    try:
        wish = replace(
            wish,
            scan_id=scan_named(wish.scan_id, names),
            px_of=scan_named(wish.px_of, names) if wish.px_of else "",
        )
    except BadLine as reason:
        raise UsageError(f"{reason}.", advice="Write the scan's name as the report has it.") from None
    wishing.require_on_scan(wish, {scan.scan_id: (scan.size.width_px, scan.size.height_px) for scan in scans})
    _require_on_master(wish, root)
    return wish


def _require_on_master(wish: Wish, root: Path) -> None:
    frame = wishing.seen_frame(JobFolder(root))
    if wish.px_of or frame is None:
        return
    size = (frame.canvas.width_px, frame.canvas.height_px)
    width, height = (mm_from_px(px, frame.canvas_ppi) for px in size)
    low, high = np.min(wish.corners, axis=0), np.max(wish.corners, axis=0)
    if not ((high > 0).all() and low[0] < width and low[1] < height):
        raise UsageError(
            f"{region_text(wish.points)} mm lies outside the master, which is {width:.1f} × {height:.1f} mm.",
            advice="Measure from the master's top-left corner; write px after the region where it is in px of a scan.",
        )
