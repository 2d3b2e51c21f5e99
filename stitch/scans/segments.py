"""Pixels of a page by window, as stored: from bytes that are pixels, or from segments decoded one by one.

Both give arrays [y, x, sample] in native byte order, and both may be called from several threads.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from stitch.model.geometry import Window
from stitch.scans.cache import ByteLimitedCache
from stitch.scans.facts import Decode, SegmentGrid
from stitch.scans.positioned import PositionedFile

PIECE_BYTES = 2 << 20  # rows read at a time where only part of each row is wanted: stays in the processor's cache


class StoredPixels(Protocol):
    """A page as stored, before Orientation."""

    def read(self, window: Window) -> NDArray[Any]:
        """Pixels of a window inside the page: (height, width, samples), native byte order."""

    def close(self) -> None:
        """Release the file."""


class RawPixels:
    """Strips or tiles whose bytes are the pixels, read by position: only the rows asked for are touched."""

    def __init__(self, file: PositionedFile, grid: SegmentGrid, offsets: tuple[int, ...]) -> None:
        self._file = file
        self._grid, self._offsets = _joined(grid, offsets)

    def read(self, window: Window) -> NDArray[Any]:
        """Pixels of a window inside the page: (height, width, samples), native byte order."""
        grid = self._grid
        out = np.empty((window.height_px, window.width_px, grid.sample_count), dtype=grid.dtype)
        if not grid.is_planar:
            self._read_plane(window, 0, out)
        else:
            for plane in range(grid.plane_count):
                single = np.empty((window.height_px, window.width_px, 1), dtype=grid.dtype)
                self._read_plane(window, plane, single)
                out[..., plane] = single[..., 0]
        return _native(out)

    def close(self) -> None:
        """Release the file."""
        self._file.close()

    def _read_plane(self, window: Window, plane: int, out: NDArray[Any]) -> None:
        for index, segment, part in _touched(self._grid, plane, window):
            rows, columns = part.slices_in(window)
            self._read_part(index, segment, part, out[rows, columns])

    def _read_part(self, index: int, segment: Window, part: Window, out: NDArray[Any]) -> None:
        row_bytes = self._grid.row_byte_count
        start = self._offsets[index] + (part.y0_px - segment.y0_px) * row_bytes
        if part.width_px == segment.width_px and out.flags.c_contiguous:
            self._file.read_into(_flat(out), start)
        elif part.width_px * 2 < segment.width_px and out[0].flags.c_contiguous:
            self._read_row_parts(start + (part.x0_px - segment.x0_px) * self._pixel_bytes(), out)
        else:
            self._read_whole_rows(start, part.x0_px - segment.x0_px, out)

    def _read_row_parts(self, start: int, out: NDArray[Any]) -> None:
        for row in range(out.shape[0]):
            self._file.read_into(_flat(out[row]), start + row * self._grid.row_byte_count)

    def _read_whole_rows(self, start: int, column: int, out: NDArray[Any]) -> None:
        grid = self._grid
        step = max(1, PIECE_BYTES // grid.row_byte_count)
        piece = np.empty((min(step, out.shape[0]), grid.width_px, grid.samples_in_segment), dtype=grid.dtype)
        for row in range(0, out.shape[0], step):
            rows = piece[: min(step, out.shape[0] - row)]
            self._file.read_into(_flat(rows), start + row * grid.row_byte_count)
            out[row : row + len(rows)] = rows[:, column : column + out.shape[1]]

    def _pixel_bytes(self) -> int:
        return self._grid.samples_in_segment * self._grid.dtype.itemsize


class DecodedPixels:
    """Compressed strips or tiles, each decoded when first touched and kept while there is room.

    `bottom_up` says that bands will be asked for from the last row upwards, so that the right segments are kept.
    """

    def __init__(
        self,
        file: PositionedFile,
        grid: SegmentGrid,
        offsets: tuple[int, ...],
        byte_counts: tuple[int, ...],
        decode: Decode,
        *,
        cache_bytes: int,
        bottom_up: bool = False,
    ) -> None:
        self._file, self._grid, self._decode, self._bottom_up = file, grid, decode, bottom_up
        self._offsets, self._byte_counts = offsets, byte_counts
        self._cache: ByteLimitedCache[int] = ByteLimitedCache(cache_bytes)

    def read(self, window: Window) -> NDArray[Any]:
        """Pixels of a window inside the page: (height, width, samples), native byte order."""
        grid = self._grid
        out = np.empty((window.height_px, window.width_px, grid.sample_count), dtype=grid.dtype.newbyteorder("="))
        for plane in range(grid.plane_count):
            samples = slice(plane, plane + 1) if grid.is_planar else slice(None)
            touched = list(_touched(grid, plane, window))
            for index, segment, part in reversed(touched) if self._bottom_up else touched:
                rows, columns = part.slices_in(window)
                out[rows, columns, samples] = self.segment(index)[part.slices_in(segment)]
        return out

    def segment(self, index: int) -> NDArray[Any]:
        """Segment `index` decoded: (rows, columns, samples)."""
        return self._cache.get(index, self._decoded)

    def close(self) -> None:
        """Release the file and the decoded segments."""
        self._cache.clear()
        self._file.close()

    def _decoded(self, index: int) -> NDArray[Any]:
        return decode_segment(self._file, self._offsets[index], self._byte_counts[index], self._decode, index)


def decode_segment(file: PositionedFile, offset: int, byte_count: int, decode: Decode, index: int) -> NDArray[Any]:
    """Read and decode one segment: (rows, columns, samples), native byte order."""
    return decode(bytes(file.read(offset, byte_count)), index)


def _joined(grid: SegmentGrid, offsets: tuple[int, ...]) -> tuple[SegmentGrid, tuple[int, ...]]:
    """Strips that follow one another without a gap, as they mostly do, seen as one strip per plane."""
    if grid.is_tiled or grid.down_count == 1:
        return grid, offsets
    per_plane = [offsets[i : i + grid.down_count] for i in range(0, len(offsets), grid.down_count)]
    strip_bytes = grid.row_byte_count * grid.height_px
    if any(offset != plane[0] + row * strip_bytes for plane in per_plane for row, offset in enumerate(plane)):
        return grid, offsets
    return replace(grid, height_px=grid.size.height_px), tuple(plane[0] for plane in per_plane)


def _touched(grid: SegmentGrid, plane: int, window: Window) -> Iterator[tuple[int, Window, Window]]:
    """Segments of a plane that meet `window`: number, its window, the part wanted."""
    if window.is_empty:
        return
    for row in range(window.y0_px // grid.height_px, (window.y1_px - 1) // grid.height_px + 1):
        for column in range(window.x0_px // grid.width_px, (window.x1_px - 1) // grid.width_px + 1):
            segment = Window(column * grid.width_px, row * grid.height_px, grid.width_px, grid.height_px)
            yield grid.index(plane, row, column), segment, segment.intersection(window)


def _flat(array: NDArray[Any]) -> memoryview:
    return array.reshape(-1).view(np.uint8).data


def _native(array: NDArray[Any]) -> NDArray[Any]:
    if array.dtype.isnative:
        return array
    return array.byteswap(inplace=True).view(array.dtype.newbyteorder("="))
