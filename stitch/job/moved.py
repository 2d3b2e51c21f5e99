"""A job's scans: at the place on record, or found again by checksum after they were moved."""

from __future__ import annotations

import os
import shlex
from collections.abc import Iterable
from pathlib import Path

from stitch.errors import ScanError, UsageError
from stitch.job.files import sha256_of
from stitch.job.record import JobScan


def scan_files(scans: tuple[JobScan, ...], root: Path, place: Path | None) -> tuple[Path, ...]:
    """The files of a job's scans, absolute, in the order on record.

    place : folder to search first, by checksum; None when the scans were not moved.

    Raises ScanError naming every scan that is not found, UsageError when `place` is not a folder.
    """
    found = {} if place is None else find_by_checksum(scans, place)
    paths = [found.get(scan.sha256) or _on_record(scan, root) for scan in scans]
    missing = [scan.path for scan, path in zip(scans, paths, strict=True) if path is None]
    if missing:
        where = "" if place is None else f" nor in {place}"
        raise ScanError(
            f"{len(missing)} of the job's {len(scans)} scans not found at the old place{where}: {', '.join(missing)}.",
            advice=f"If they were moved, say where to: stitch join {shlex.quote(str(root))} --scans NEWPLACE.",
            scan_ids=tuple(Path(name).stem for name in missing),
        )
    return tuple(path for path in paths if path is not None)


def find_by_checksum(scans: tuple[JobScan, ...], place: Path) -> dict[str, Path]:
    """Files anywhere under `place` with the bytes of a scan, by checksum. Only files of a fitting size are read."""
    if not place.is_dir():
        raise UsageError(f"{place} is not a folder.", advice="--scans names the folder that holds the scans now.")
    wanted = {scan.sha256 for scan in scans}
    sizes = {scan.byte_count for scan in scans}
    found: dict[str, Path] = {}
    for path in _files_under(place.resolve()):
        try:
            if path.stat().st_size in sizes and (digest := sha256_of(path)) in wanted:
                found.setdefault(digest, path)
        except OSError:
            continue
        if len(found) == len(wanted):
            break
    return found


def _files_under(place: Path) -> Iterable[Path]:
    for folder, folders, names in os.walk(place):
        folders.sort()
        yield from (Path(folder) / name for name in sorted(names))


def _on_record(scan: JobScan, root: Path) -> Path | None:
    path = Path(os.path.normpath(root / scan.path))
    return path if path.is_file() else None
