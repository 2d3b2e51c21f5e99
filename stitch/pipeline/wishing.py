"""What was said of the seams by hand: read before any work, and put where its paint lies on this run's canvas."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from stitch.errors import UsageError
from stitch.imaging.affine import FloatArray, mm_from_px
from stitch.job.folder import JobFolder
from stitch.model.layout import Layout
from stitch.model.scans import Scan
from stitch.model.wishes import Frame, FramedScan, Held, Points, Wish, WishPlace
from stitch.pipeline.keep import load_record, save_record
from stitch.wishes.book import BOOK_NAME, read_wishes, require_readable
from stitch.wishes.held import corners_px, held_by, held_corners_px, renewed

SAVED = "wishes.json"
MOVED_MM = 0.2  # less is no other place
DECIMALS = 2  # of canvas px, so that rounding of the same place stays the same place


@dataclass(frozen=True, slots=True)
class Placed:
    """A wish and where its region lies on the canvas."""

    wish: Wish
    place: WishPlace
    moved_mm: Points | None = None  # its corners in mm of this master, where these are not what is written
    is_lost: bool = False  # none of the scans that held it is there any more


@dataclass(frozen=True, slots=True)
class Wished:
    """All wishes of a run."""

    placed: tuple[Placed, ...] = ()
    nowhere: tuple[Wish, ...] = ()  # in px of a scan that is not placed
    unplaced_ids: tuple[str, ...] = ()  # scans that are not placed

    @property
    def places(self) -> tuple[WishPlace, ...]:
        """The regions that the cut is given, in the order of the file."""
        return tuple(one.place for one in self.placed)


@dataclass(frozen=True, slots=True)
class _Saved:
    """What is kept between runs: the frame of the master that was made last, and what holds each region."""

    seen: Frame | None
    held: tuple[Held, ...]


def require_book(root: Path) -> None:
    """Check the job's book of wishes before any work. Raises UsageError that names the line."""
    require_readable(root / BOOK_NAME)


def read(root: Path, scans: Sequence[Scan]) -> tuple[Wish, ...]:
    """The job's wishes. Raises UsageError that names a line and what is wrong with it."""
    wishes = read_wishes(root / BOOK_NAME, [scan.scan_id for scan in scans])
    sizes = {scan.scan_id: (scan.size.width_px, scan.size.height_px) for scan in scans}
    for wish in wishes:
        require_on_scan(wish, sizes)
    return wishes


def require_on_scan(wish: Wish, sizes: Mapping[str, tuple[int, int]]) -> None:
    """Check that a region in px meets its scan, of (width, height) px. Raises UsageError that names the line."""
    if not wish.px_of:
        return
    width, height = sizes[wish.px_of]
    low, high = np.min(wish.corners, axis=0), np.max(wish.corners, axis=0)
    if not ((high > -0.5).all() and low[0] < width - 0.5 and low[1] < height - 0.5):
        raise UsageError(
            f"{BOOK_NAME}, {f'line {wish.line}: ' if wish.line else ''}the region lies outside {wish.px_of}, which is "
            f"{width} × {height} px.",
            advice="Coordinates are px of the scan as it is shown, counted from its top-left corner.",
            scan_ids=(wish.px_of,),
        )


def frame_of(layout: Layout, scans: Sequence[Scan]) -> Frame:
    """What places of a layout's canvas mean."""
    facts = {scan.scan_id: scan for scan in scans}
    placed = [(placement, facts[placement.scan_id]) for placement in layout.placements]
    return Frame(
        layout.canvas,
        layout.canvas_ppi,
        tuple(FramedScan(s.scan_id, f"{s.sha256} {s.page_index}", s.size, placement) for placement, s in placed),
    )


def placed(folder: JobFolder, wishes: Sequence[Wish], frame: Frame, *, only_plan: bool) -> Wished:
    """Put every region where its paint lies in this run's frame.

    A region in mm that was not used before is taken from the corner of the master that was there when it was written,
    the one made last. Unless `only_plan`, what holds the regions is kept for later runs. Raises WriteError.
    """
    saved = _load(folder)
    held: list[Held] = []
    found: list[Placed] = []
    nowhere: list[Wish] = []
    for wish in wishes:
        by = next((one for one in saved.held if (one.points, one.px_of) == (wish.points, wish.px_of)), None)
        by = by or held_by(wish, frame if wish.px_of else saved.seen or frame)
        corners = None if by is None else held_corners_px(by, frame)
        is_lost = by is not None and corners is None
        corners = corners_px(wish, frame) if corners is None else corners
        if corners is None:
            nowhere.append(wish)
            continue
        by = held_by(wish, frame) if by is None or is_lost else renewed(by, wish, corners, frame)
        held += [by] if by is not None and by not in held else []
        found.append(_placed(wish, corners, frame, is_lost=is_lost))
    now = _Saved(saved.seen, tuple(held))
    if now != saved and not only_plan:
        save_record(folder.work / SAVED, now)
    there = {scan.scan_id for scan in frame.scans}
    unplaced = dict.fromkeys(wish.scan_id for wish in wishes if wish.scan_id not in there)
    return Wished(tuple(found), tuple(nowhere), tuple(unplaced))


def keep_frame(folder: JobFolder, frame: Frame) -> None:
    """Note the frame of the master that lies there now: regions in mm written from here on are meant in it.

    Raises WriteError.
    """
    saved = _load(folder)
    if saved.seen != frame:
        save_record(folder.work / SAVED, _Saved(frame, saved.held))


def seen_frame(folder: JobFolder) -> Frame | None:
    """The frame of the master that was made last; None when it is not known."""
    return _load(folder).seen


def _placed(wish: Wish, corners: FloatArray, frame: Frame, *, is_lost: bool) -> Placed:
    corners = np.round(corners, DECIMALS) + 0.0
    place = WishPlace(wish.want, wish.scan_id, _points(corners))
    in_mm = mm_from_px(1.0, frame.canvas_ppi) * (corners + 0.5)
    written = corners_px(wish, frame)
    off = np.inf if written is None else np.abs(mm_from_px(1.0, frame.canvas_ppi) * (written - corners)).max()
    moved = _points(np.round(in_mm, 1) + 0.0) if off > MOVED_MM else None
    return Placed(wish, place, moved, is_lost)


def _points(found: FloatArray) -> Points:
    return tuple((float(x), float(y)) for x, y in found)


def _load(folder: JobFolder) -> _Saved:
    try:
        return load_record(_Saved, folder.work / SAVED)
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return _Saved(None, ())
