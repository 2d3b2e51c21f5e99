"""The checksum of a file and the share of clipped pixels, in one pass over the file where its layout allows."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging.windows import bands
from stitch.scans.facts import PageFacts, TiffPage
from stitch.scans.positioned import PositionedFile
from stitch.scans.segments import StoredPixels

PIECE_BYTES = 4 << 20


@dataclass(slots=True)
class ClipCount:
    """Counts over the pixels of one page as stored."""

    facts: PageFacts
    pixel_count: int = 0
    low_count: int = 0  # pixels with a colour sample at 0, as shown
    high_count: int = 0  # pixels with a colour sample at the top code, as shown
    is_opaque: bool = True  # no first extra sample below its top code

    def add(self, pixels: NDArray[Any]) -> None:
        """Count samples of shape (..., sample_count), native byte order."""
        flat = pixels.reshape(-1, self.facts.sample_count)
        top = int(np.iinfo(flat.dtype).max)
        colours = flat[:, : self.facts.colour_count]
        low, high = _with_value(colours, 0), _with_value(colours, top)
        self.pixel_count += len(flat)
        self.low_count += high if self.facts.is_inverted else low
        self.high_count += low if self.facts.is_inverted else high
        if self.facts.extra_count and self.is_opaque:
            self.is_opaque = bool((flat[:, self.facts.colour_count] == top).all())

    @property
    def low_fraction(self) -> float:
        """Share of pixels with a channel at 0."""
        return self.low_count / max(1, self.pixel_count)

    @property
    def high_fraction(self) -> float:
        """Share of pixels with a channel at the top code."""
        return self.high_count / max(1, self.pixel_count)


def _with_value(colours: NDArray[Any], value: int) -> int:
    """How many rows of (n, 1 or 3) hold `value`, which is the least or the greatest of the type."""
    if not colours.size or (colours.min() if value == 0 else colours.max()) != value:
        return 0
    top = int(np.iinfo(colours.dtype).max)
    count = colours.shape[1]
    low, high = ((1,) * count, (top,) * count) if value == 0 else ((0,) * count, (top - 1,) * count)
    inside = cv2.inRange(np.ascontiguousarray(colours)[:, None, :], np.array(low, float), np.array(high, float))
    return len(colours) - cv2.countNonZero(inside)


def can_measure_while_hashing(pages: Sequence[TiffPage | PageFacts]) -> bool:
    """True when every page's pixels lie plainly in the file: uncompressed chunky strips that do not overlap."""
    extents = []
    for page in pages:
        if not isinstance(page, TiffPage) or page.decode is not None or page.grid.is_planar or page.grid.is_tiled:
            return False
        extents += [(offset, offset + length) for offset, length in _strip_extents(page)]
    extents.sort()
    return all(before[1] <= after[0] for before, after in pairwise(extents))


def hash_and_measure(path: Path, pages: Sequence[TiffPage], step: Callable[[int], None]) -> tuple[str, list[ClipCount]]:
    """SHA-256 of the file and the counts of its pages, reading every byte once. Raises OSError, EOFError."""
    counts = [ClipCount(page.facts) for page in pages]
    digest = hashlib.sha256()
    file = PositionedFile(path)
    try:
        for offset, byte_count, number in _file_pieces(file.size(), pages):
            data = file.read(offset, byte_count)
            digest.update(data)
            if number is not None:
                samples = np.frombuffer(data, dtype=pages[number].grid.dtype)
                counts[number].add(samples.astype(pages[number].facts.dtype, copy=False))
            step(byte_count)
    finally:
        file.close()
    return digest.hexdigest(), counts


def file_sha256(path: Path, step: Callable[[int], None]) -> str:
    """SHA-256 of a file, lower-case hex. Raises OSError."""
    digest = hashlib.sha256()
    with path.open("rb", buffering=0) as file:
        while data := file.read(PIECE_BYTES):
            digest.update(data)
            step(len(data))
    return digest.hexdigest()


def measure_page(facts: PageFacts, stored: StoredPixels, step: Callable[[int], None]) -> ClipCount:
    """Counts of one page, band by band. Decodes everything, so damage shows here."""
    count = ClipCount(facts)
    rows = max(1, PIECE_BYTES * facts.size.height_px // max(1, facts.byte_count))
    for band in bands(facts.size, rows):
        count.add(stored.read(band))
        step(band.width_px * band.height_px)
    return count


def _strip_extents(page: TiffPage) -> Iterator[tuple[int, int]]:
    for index, offset in enumerate(page.offsets):
        yield offset, page.grid.segment_byte_count(index)


def _file_pieces(file_byte_count: int, pages: Sequence[TiffPage]) -> Iterator[tuple[int, int, int | None]]:
    """The whole file in order as (offset, bytes, number of the page whose pixels they are, or None)."""
    strips = sorted(
        (offset, length, number) for number, page in enumerate(pages) for offset, length in _strip_extents(page)
    )
    position = 0
    for offset, length, number in strips:
        yield from _cut(position, offset, 1, None)
        facts = pages[number].facts
        yield from _cut(offset, offset + length, facts.sample_count * facts.bits // 8, number)
        position = offset + length
    yield from _cut(position, file_byte_count, 1, None)


def _cut(start: int, end: int, unit: int, number: int | None) -> Iterator[tuple[int, int, int | None]]:
    step = PIECE_BYTES // unit * unit
    for offset in range(start, end, step):
        yield offset, min(step, end - offset), number
