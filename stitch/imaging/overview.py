"""A master's overview: the whole of it by blocks of pixels, made while its rows go by.

What looks at the whole master (the outline of the sheet, the picture of the report) looks at this, so that the file is
not read again for each of them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import px_from_mm
from stitch.imaging.windows import bands
from stitch.model.geometry import Size, Window
from stitch.model.scans import PixelSource

PX_PER_MM = 4.0  # of an overview, about
MOST_MEGAPIXELS = 36.0  # of an overview: that of a very large master has larger blocks
BAND_BYTES = 32_000_000
CHANNELS = 4  # as kept: red, green, blue and label
KEPT_BYTES = 2 * CHANNELS  # of a block, as kept
READ_ROWS = 512

Rows = tuple[NDArray[Any], NDArray[np.uint8]]
Covered = Callable[[Window], NDArray[np.bool_]]


@dataclass(frozen=True, slots=True, eq=False)
class Overview:
    """Means of whole blocks of `block_px` by `block_px` pixels; what is left over at the right and below is left out.

    picture : (h, w, 3), uint8 or uint16, RGB codes.
    labels : (h, w), that of the pixel in each block's middle; 0 where any pixel of the block is made by no scan.
    """

    picture: NDArray[Any]
    labels: NDArray[np.uint8]
    block_px: int

    @property
    def known(self) -> NDArray[np.bool_]:
        """Blocks all of whose pixels some scan made."""
        return self.labels != 0

    @property
    def size(self) -> Size:
        """In blocks."""
        return Size(self.labels.shape[1], self.labels.shape[0])

    def read(self, window: Window) -> NDArray[Any]:
        """Part of the picture, window in blocks (an overview is a `PixelSource`)."""
        return self.picture[window.slices_in(self.size.window())]

    def close(self) -> None:
        """Nothing to release."""


def block_px_for(size: Size, ppi: float) -> int:
    """Side of a block, for a master of `size` at `ppi`."""
    at_most = math.ceil(math.sqrt(size.megapixels / MOST_MEGAPIXELS))
    return max(round(px_from_mm(1.0, ppi) / PX_PER_MM), at_most, 1)


class Shrinking:
    """Takes the rows of a master from the top down and gives rows of its overview."""

    def __init__(self, size: Size, block_px: int) -> None:
        self._block_px = block_px
        self._across = size.width_px // block_px
        self._left: Rows | None = None  # rows of a block that is not whole yet

    def take(self, pixels: NDArray[Any], labels: NDArray[np.uint8]) -> Rows | None:
        """Rows (n, width, 3) and their labels (n, width); gives rows of blocks, or None while none is whole."""
        if not self._across:
            return None
        found = []
        if self._left is not None:
            wanted = self._block_px - len(self._left[1])
            top = np.concatenate([self._left[0], pixels[:wanted]]), np.concatenate([self._left[1], labels[:wanted]])
            pixels, labels = pixels[wanted:], labels[wanted:]
            if len(top[1]) < self._block_px:
                pixels, labels = top
            else:
                found.append(self._shrunk(*top, 1))
        down = len(labels) // self._block_px
        whole = down * self._block_px
        self._left = (pixels[whole:].copy(), labels[whole:].copy()) if whole < len(labels) else None
        if down:
            found.append(self._shrunk(pixels[:whole], labels[:whole], down))
        if not found:
            return None
        return np.concatenate([rows for rows, _ in found]), np.concatenate([rows for _, rows in found])

    def _shrunk(self, pixels: NDArray[Any], labels: NDArray[np.uint8], down: int) -> Rows:
        side = self._block_px
        pixels, labels = pixels[:, : self._across * side], labels[:, : self._across * side]
        middle = np.ascontiguousarray(labels[side // 2 :: side, side // 2 :: side])
        if not labels.all():
            missing = _means((labels == 0).astype(np.float32), self._across, down)
            middle[missing > 0] = 0
        return _means(pixels, self._across, down), middle


def overview_of(source: PixelSource, ppi: float, covered: Covered | None, advance: Callable[[int], None]) -> Overview:
    """The overview of a finished picture, read band by band; `advance` is told the rows read."""
    size, block_px = source.size, block_px_for(source.size, ppi)
    rows_px = max(BAND_BYTES // (size.width_px * 6) // block_px, 1) * block_px
    shrinking, found = Shrinking(size, block_px), []
    for band in bands(size, rows_px):
        labels = np.ones((band.height_px, band.width_px), np.uint8) if covered is None else covered(band).view(np.uint8)
        found.append(shrinking.take(source.read(band), labels))
        advance(band.height_px)
    whole = [rows for rows in found if rows is not None]
    if not whole:
        return Overview(np.zeros((0, 0, 3), np.uint16), np.zeros((0, 0), np.uint8), block_px)
    return Overview(np.concatenate([a for a, _ in whole]), np.concatenate([b for _, b in whole]), block_px)


class OverviewFile:
    """An overview on the disk while and after it is made, rows of 16-bit red, green, blue and label."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._file = path.open("wb")

    def add(self, rows: Rows | None) -> None:
        """Append rows of blocks. Raises OSError."""
        if rows is not None:
            kept = np.dstack([rows[0].astype(np.uint16, copy=False), rows[1]])
            self._file.write(kept.data.cast("B"))

    def close(self) -> None:
        """Done, or given up."""
        self._file.close()


def read_overview(path: Path, size: Size, block_px: int, bits: int) -> Overview:
    """An overview that was kept of a master of `size`. Raises OSError, or ValueError when it is not whole."""
    down, across = size.height_px // block_px, size.width_px // block_px
    if path.stat().st_size != down * across * KEPT_BYTES:
        raise ValueError(f"{path.name} is not whole")
    picture = np.empty((down, across, 3), np.uint8 if bits == 8 else np.uint16)
    labels = np.empty((down, across), np.uint8)
    for first, rows in _kept_rows(path, down, across):
        picture[first : first + len(rows)] = rows[..., :3]
        labels[first : first + len(rows)] = rows[..., 3]
    return Overview(picture, labels, block_px)


def _kept_rows(path: Path, down: int, across: int) -> Iterator[tuple[int, NDArray[np.uint16]]]:
    with path.open("rb") as file:
        for first in range(0, down, READ_ROWS):
            count = min(READ_ROWS, down - first)
            yield first, np.fromfile(file, np.uint16, count * across * CHANNELS).reshape(count, across, CHANNELS)


def _means(rows: NDArray[Any], width: int, height: int) -> NDArray[Any]:
    return np.asarray(cv2.resize(rows, (width, height), interpolation=cv2.INTER_AREA))
