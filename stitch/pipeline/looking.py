"""Every scan read once: its small copy, and the cells that a check compares."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.check.look import LOOK_VERSION, Look, Watched
from stitch.imaging.colour import Encoding
from stitch.imaging.windows import bands
from stitch.model.scans import PixelSource, Scan
from stitch.model.store import NO_STORE, Arrays, Store
from stitch.progress import Progress
from stitch.register.place import reduce_all
from stitch.register.reduced import REDUCED_LONG_SIDE_PX, Reduced
from stitch.scans.glance import glance
from stitch.scans.readers import open_scan

BAND_ROWS = 512


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


def look_at(
    scans: Sequence[Scan],
    ppi: Mapping[str, float],
    scratch: Path,
    jobs: int,
    progress: Progress,
    store: Store = NO_STORE,
) -> Seen:
    """Read every scan from top to bottom, once, or not at all where `store` knows it. Raises ScanError when damaged."""
    keys = {scan.scan_id: f"{scan.sha256} {scan.page_index}" for scan in scans}
    with ExitStack() as stack:
        sources: dict[str, PixelSource] = {}
        for scan in scans:
            sources[scan.scan_id] = open_scan(scan, scratch=scratch, bits=16)
            stack.callback(sources[scan.scan_id].close)
        reduced, looks = reduce_and_look(sources, ppi, jobs=jobs, store=store, keys=keys, progress=progress)
    marked = tuple(replace(scan, sha256=_digest(reduced[scan.scan_id])) for scan in scans)
    return Seen(marked, reduced, looks)


def reduce_and_look(
    sources: Mapping[str, PixelSource],
    ppi: Mapping[str, float],
    *,
    rows_share: float = 1.0,
    long_side_px: int = REDUCED_LONG_SIDE_PX,
    jobs: int,
    store: Store = NO_STORE,
    keys: Mapping[str, str] | None = None,
    progress: Progress,
) -> tuple[dict[str, Reduced], dict[str, Look]]:
    """The small copy of every scan, and what was gathered while it was made; each scan is read once, or not at all.

    long_side_px : of the small copies, about. rows_share : of each cell's rows, how many are looked at for detail.
    keys : what decides each scan's pixels, by which copy and look are kept in `store`. Raises ScanError for a damaged
    scan.
    """
    watched = {name: Watched(source, ppi[name], rows_share=rows_share) for name, source in sources.items()}
    reduced = reduce_all(watched, long_side_px=long_side_px, jobs=jobs, store=store, keys=keys, progress=progress)
    looks = {}
    for name, one in watched.items():
        key = None if keys is None else f"look {LOOK_VERSION} {keys[name]} {ppi[name]:.3f} {rows_share:.3f}"
        looks[name] = _look(one, reduced[name], store, key)
    return reduced, looks


def _look(watched: Watched, reduced: Reduced, store: Store, key: str | None) -> Look:
    def made() -> Arrays:
        if not watched.is_read:  # its copy was kept, but by a stitch that did not look
            for band in bands(watched.size, BAND_ROWS):
                watched.read(band)
        look = watched.look()
        return {field.name: np.asarray(getattr(look, field.name)) for field in fields(Look)}

    held = made() if key is None else store.arrays(key, made)
    return Look(
        int(held["cell_px"]), held["detail"], float(held["noise"]), held["low"], held["high"], float(held["blocks"])
    )


def light_of_cells(reduced: Reduced, look: Look, encoding: Encoding) -> NDArray[np.float64]:
    """Linear light of every cell, (rows, columns, 3)."""
    rows, columns = look.detail.shape
    linear = encoding.decode_codes(np.ascontiguousarray(of_cells(reduced.codes, reduced, look)))
    return np.asarray(cv2.resize(linear, (columns, rows), interpolation=cv2.INTER_AREA), np.float64)


def of_cells(pixels: NDArray[Any], reduced: Reduced, look: Look) -> NDArray[Any]:
    """The part that cells cover, of what was made of a small copy px by px, (h, w, …)."""
    rows, columns = look.detail.shape
    height, width = (round(count * look.cell_px / reduced.factor) for count in (rows, columns))
    return pixels[:height, :width]


def _digest(reduced: Reduced) -> str:
    return hashlib.sha256(np.ascontiguousarray(reduced.codes).tobytes()).hexdigest()
