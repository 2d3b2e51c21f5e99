"""The door to a scan's pixels: RGB as shown, by window."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.errors import ScanError
from stitch.model.geometry import Size, Window
from stitch.model.scans import PixelSource, Scan
from stitch.scans.facts import PageFacts
from stitch.scans.inspect import inspect
from stitch.scans.naming import shown
from stitch.scans.orientation import shown_pixels, shown_size, stored_window
from stitch.scans.segments import StoredPixels
from stitch.scans.sources import CACHE_BYTES, facts_of, header, open_stored
from stitch.scans.trouble import reading, unusable

WIDEN = 257  # 65535 / 255: an 8-bit value as 16 bits, exactly


def open_scan(scan: Scan, *, scratch: Path, bits: int | None = None, cache_bytes: int = CACHE_BYTES) -> PixelSource:
    """Open a scan that `inspect` has seen.

    Parameters
    ----------
    scratch : folder for working copies; they stay there until the caller removes them.
    bits : 16 widens 8-bit pixels exactly (× 257); None gives what the file holds. Narrowing is not done here.
    cache_bytes : decoded strips or tiles kept for a compressed TIFF.

    Raises ScanError when the file has changed or is damaged, WriteError when a working copy cannot be written.
    """
    page = header(scan.path, scan.page_index)
    facts = facts_of(page)
    if scan.path.stat().st_size != scan.byte_count or shown_size(facts.size, facts.orientation) != scan.size:
        raise ScanError(
            f"{shown(scan.path.name)} has changed since it was checked.",
            advice="Run the command again so that it is checked again.",
            scan_ids=(scan.scan_id,),
        )
    stored = open_stored(scan.path, page, scan.sha256, scratch=scratch, cache_bytes=cache_bytes)
    return ShownPixels(scan.path, facts, stored, widen=WIDEN if bits == 16 and facts.bits == 8 else 1)


def open_image(path: Path, *, scratch: Path) -> tuple[Scan, PixelSource]:
    """A finished picture of one page: its facts and its pixels. Raises ScanError."""
    scans = inspect(path, (), scratch=scratch).scans
    if len(scans) > 1:
        raise unusable(path, f"holds {len(scans)} pictures, not one", "Give a file with a single picture.")
    return scans[0], open_scan(scans[0], scratch=scratch)


def open_known(path: Path, sha256: str, *, scratch: Path) -> PixelSource:
    """The pixels of a picture of one page whose SHA-256 is known, without looking at all of it. Raises ScanError."""
    page = header(path, 0)
    return ShownPixels(path, facts_of(page), open_stored(path, page, sha256, scratch=scratch))


class ShownPixels:
    """A `PixelSource`: RGB as shown. `read` may be called from several threads at once."""

    def __init__(self, path: Path, facts: PageFacts, stored: StoredPixels, *, widen: int = 1) -> None:
        self._path, self._facts, self._stored, self._widen = path, facts, stored, widen
        self._size = shown_size(facts.size, facts.orientation)

    @property
    def size(self) -> Size:
        """Size as shown (after Orientation)."""
        return self._size

    def read(self, window: Window) -> NDArray[np.uint8] | NDArray[np.uint16]:
        """Pixels of `window`: (height, width, 3), uint8 or uint16. Raises ValueError outside the grid, ScanError."""
        if window.clipped(self._size) != window:
            raise ValueError(f"{window} does not lie inside {self._size}")
        with reading(self._path):
            stored = self._stored.read(stored_window(window, self._facts.size, self._facts.orientation))
        colours = rgb(stored, self._facts)
        if self._widen != 1:
            colours = colours.astype(np.uint16) * np.uint16(self._widen)
        return shown_pixels(colours, self._facts.orientation)

    def close(self) -> None:
        """Release the file."""
        self._stored.close()


def rgb(stored: NDArray[Any], facts: PageFacts) -> NDArray[Any]:
    """Stored samples (h, w, n) as RGB (h, w, 3): extra samples dropped, grey three times, white-is-zero turned."""
    if facts.is_grey:
        grey = np.ascontiguousarray(stored[..., 0])
        if facts.is_inverted:
            grey = np.iinfo(grey.dtype).max - grey
        return cv2.merge([grey, grey, grey]) if grey.size else np.repeat(grey[..., None], 3, axis=2)
    if facts.sample_count == 3:
        return stored
    return stored[..., :3]
