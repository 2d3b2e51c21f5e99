"""Every scan read once: its small copy, and the cells that a check compares."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.check.look import Look, Watched
from stitch.imaging.colour import Encoding
from stitch.model.scans import Scan
from stitch.progress import Progress
from stitch.register.place import reduce_all
from stitch.register.reduced import Reduced
from stitch.scans.glance import glance
from stitch.scans.readers import open_scan


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """The scans, after one reading."""

    scans: tuple[Scan, ...]  # `sha256` is that of the small copy: equal ones are the same scan twice
    reduced: Mapping[str, Reduced]
    looks: Mapping[str, Look]


def facts_of_files(files: Sequence[Path]) -> tuple[Scan, ...]:
    """What the headers say. Raises ScanError."""
    scans: list[Scan] = []
    for path in files:
        scans += glance(path, [scan.scan_id for scan in scans])
    return tuple(scans)


def look_at(scans: Sequence[Scan], ppi: Mapping[str, float], scratch: Path, jobs: int, progress: Progress) -> Seen:
    """Read every scan from top to bottom, once. Raises ScanError for a damaged one."""
    with ExitStack() as stack:
        watched: dict[str, Watched] = {}
        for scan in scans:
            source = open_scan(scan, scratch=scratch, bits=16)
            stack.callback(source.close)
            watched[scan.scan_id] = Watched(source, ppi[scan.scan_id])
        reduced = reduce_all(watched, jobs=jobs, progress=progress)
        looks = {name: one.look() for name, one in watched.items()}
    marked = tuple(replace(scan, sha256=_digest(reduced[scan.scan_id])) for scan in scans)
    return Seen(marked, reduced, looks)


def light_of_cells(reduced: Reduced, look: Look, encoding: Encoding) -> NDArray[np.float64]:
    """Linear light of every cell, (rows, columns, 3)."""
    rows, columns = look.detail.shape
    height = min(reduced.codes.shape[0], round(rows * look.cell_px / reduced.factor))
    width = min(reduced.codes.shape[1], round(columns * look.cell_px / reduced.factor))
    linear = encoding.decode_codes(np.ascontiguousarray(reduced.codes[:height, :width]))
    return np.asarray(cv2.resize(linear, (columns, rows), interpolation=cv2.INTER_AREA), np.float64)


def _digest(reduced: Reduced) -> str:
    return hashlib.sha256(np.ascontiguousarray(reduced.codes).tobytes()).hexdigest()
