"""A scan's facts from its header alone, for a check that reads every pixel only once, later."""

from __future__ import annotations

import hashlib
from collections.abc import Collection
from pathlib import Path

from stitch.model.scans import Scan
from stitch.scans.inspect import scan_of
from stitch.scans.measure import ClipCount
from stitch.scans.naming import scan_names
from stitch.scans.sources import facts_of, headers
from stitch.scans.trouble import reading


def glance(path: Path, scan_ids_taken: Collection[str]) -> tuple[Scan, ...]:
    """One scan per full page, without a look at the pixels.

    `sha256` is that of the file's path, size and time, not of its content, and no clipped pixel is counted.
    Raises ScanError, naming the file, when its header cannot be read or is not supported.
    """
    path = path.absolute()
    pages = headers(path)
    with reading(path):
        stat = path.stat()
    mark = hashlib.sha256(f"{path} {stat.st_size} {stat.st_mtime_ns}".encode("utf-8", "replace")).hexdigest()
    names = scan_names(path, len(pages), scan_ids_taken)
    return tuple(
        scan_of(path, page, ClipCount(facts_of(page)), name, mark, stat.st_size)
        for page, name in zip(pages, names, strict=True)
    )
