"""Raw working copies on disk, for files that cannot well be read by windows.

A working copy holds the decoded segments of one page one after another, in native byte order: for a file in one piece
that is plain rows of pixels. Its name comes from the scan file's SHA-256 and the page, so it can be found again; it is
whole or absent.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from stitch.errors import WriteError
from stitch.scans.facts import FileFormat, PageFacts, SegmentGrid, TiffPage
from stitch.scans.inflate import inflated_rows
from stitch.scans.naming import shown
from stitch.scans.png_stream import png_bands
from stitch.scans.positioned import PositionedFile
from stitch.scans.sanity import check_whole_decode
from stitch.scans.segments import RawPixels, decode_segment
from stitch.scans.trouble import reading

LAYOUT_VERSION = 1
PIECE_BYTES = 4 << 20
WHOLE_BYTES = 16 << 20  # a segment up to this is decoded at once, in half the time that bands of it take
EMPTY_JPEG_LEVEL = 128  # what a JPEG decoder gives where the data ended too early


def open_working_copy(path: Path, page: TiffPage | PageFacts, sha256: str, scratch: Path) -> RawPixels:
    """The working copy of one page of `path`, made in `scratch` when it is not there yet.

    Raises ScanError for the scan's troubles, WriteError for those of the scratch folder.
    """
    grid, target = _copy_grid(page), _copy_path(page, sha256, scratch)
    sizes = [grid.segment_byte_count(i) for i in range(grid.segment_count)]
    if not has_working_copy(page, sha256, scratch):
        pieces = _tiff_pieces(path, page) if isinstance(page, TiffPage) else _picture_pieces(path, page)
        _write_whole(path, target, pieces, sum(sizes))
    offsets = tuple(int(offset) for offset in np.cumsum([0, *sizes[:-1]]))
    return RawPixels(PositionedFile(target), grid, offsets)


def has_working_copy(page: TiffPage | PageFacts, sha256: str, scratch: Path) -> bool:
    """Whether the working copy is there, whole."""
    target = _copy_path(page, sha256, scratch)
    return target.exists() and target.stat().st_size == copy_byte_count(page)


def copy_byte_count(page: TiffPage | PageFacts) -> int:
    """Bytes that a working copy takes."""
    grid = _copy_grid(page)
    return sum(grid.segment_byte_count(i) for i in range(grid.segment_count))


def _copy_path(page: TiffPage | PageFacts, sha256: str, scratch: Path) -> Path:
    facts = page.facts if isinstance(page, TiffPage) else page
    return scratch / f"{sha256}-{facts.page_index}.v{LAYOUT_VERSION}.raw"


def _copy_grid(page: TiffPage | PageFacts) -> SegmentGrid:
    if isinstance(page, TiffPage):
        stored = page.grid
        return SegmentGrid(
            size=stored.size,
            sample_count=stored.sample_count,
            dtype=page.facts.dtype,
            width_px=stored.width_px,
            height_px=stored.height_px,
            is_planar=stored.is_planar,
            is_tiled=stored.is_tiled,
        )
    return SegmentGrid(
        size=page.size,
        sample_count=page.sample_count,
        dtype=page.dtype,
        width_px=page.size.width_px,
        height_px=page.size.height_px,
        is_planar=False,
        is_tiled=False,
    )


def _write_whole(path: Path, target: Path, pieces: Iterable[NDArray[Any]], byte_count: int) -> None:
    """Write pieces to a temporary file beside `target`, then rename; nothing is left behind on failure."""
    part: Path | None = None
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=target.stem[:24], suffix=".part", dir=target.parent)
        part = Path(name)
        with os.fdopen(handle, "wb", buffering=0) as file:
            for piece in _translated(path, pieces):
                _write_all(file, np.ascontiguousarray(piece))
            written = file.tell()
        if written != byte_count:
            with reading(path):
                raise EOFError(f"{written:,} of {byte_count:,} bytes could be decoded")
        part.replace(target)
    except OSError as error:
        raise WriteError(
            f"The working copy of {shown(path.name)} cannot be written ({error.strerror or error}).",
            advice=f"It needs {byte_count / 1e6:,.0f} MB in {target.parent}: make room there or choose another place.",
        ) from error
    finally:
        if part is not None:
            part.unlink(missing_ok=True)


def _translated(path: Path, pieces: Iterable[NDArray[Any]]) -> Iterator[NDArray[Any]]:
    """The pieces; what goes wrong while making them is the scan's trouble, not that of the scratch folder."""
    iterator = iter(pieces)
    while True:
        with reading(path):
            piece = next(iterator, None)
        if piece is None:
            return
        yield piece


def _write_all(file: Any, array: NDArray[Any]) -> None:
    data = array.reshape(-1).view(np.uint8).data
    while len(data):
        data = data[file.write(data) :]


def _picture_pieces(path: Path, facts: PageFacts) -> Iterator[NDArray[Any]]:
    if facts.file_format is FileFormat.PNG:
        yield from png_bands(path, facts)
    else:
        yield _jpeg(path, facts)


def _jpeg(path: Path, facts: PageFacts) -> NDArray[Any]:
    check_whole_decode(path, facts.byte_count)
    data = path.read_bytes()
    if data.find(b"\xff\xd9", data.rfind(b"\xff\xda")) < 0:
        raise EOFError("the JPEG has no end")
    pixels = imagecodecs.jpeg_decode(data)
    pixels = pixels.reshape(facts.size.height_px, facts.size.width_px, facts.sample_count)
    if (pixels[-8:, -64:] == EMPTY_JPEG_LEVEL).all():
        raise EOFError("the JPEG's last rows are empty")
    return pixels


def _tiff_pieces(path: Path, page: TiffPage) -> Iterator[NDArray[Any]]:
    """Decoded segments in order; a large segment stored with deflate comes in bands."""
    if page.decode is None:
        raise AssertionError("a page that is not encoded needs no working copy")
    file = PositionedFile(path)
    try:
        for index in range(page.grid.segment_count):
            if page.can_stream and page.grid.segment_byte_count(index) > WHOLE_BYTES:
                yield from _inflated_bands(file, page, index)
            else:
                check_whole_decode(path, page.grid.segment_byte_count(index))
                pixels = decode_segment(file, page.offsets[index], page.byte_counts[index], page.decode, index)
                yield _padded(pixels, page.grid, index)
    finally:
        file.close()


def _padded(pixels: NDArray[Any], grid: SegmentGrid, index: int) -> NDArray[Any]:
    """A tile at the edge may be decoded without its padding; in the copy every tile has its full size."""
    missing_rows, missing_columns = grid.stored_height_px(index) - pixels.shape[0], grid.width_px - pixels.shape[1]
    if missing_rows or missing_columns:
        return np.pad(pixels, ((0, missing_rows), (0, missing_columns), (0, 0)))
    return pixels


def _inflated_bands(file: PositionedFile, page: TiffPage, index: int) -> Iterator[NDArray[Any]]:
    encoded = _pieces(file, page.offsets[index], page.byte_counts[index])
    row_bytes = page.grid.row_byte_count
    for rows in inflated_rows(encoded, row_bytes, page.grid.stored_height_px(index)):
        yield _unpredicted(rows, page, len(rows) // row_bytes)


def _pieces(file: PositionedFile, offset: int, byte_count: int) -> Iterator[bytes]:
    for start in range(offset, offset + byte_count, PIECE_BYTES):
        yield bytes(file.read(start, min(PIECE_BYTES, offset + byte_count - start)))


def _unpredicted(data: bytes, page: TiffPage, row_count: int) -> NDArray[Any]:
    """Rows of one inflated band as native samples; TIFF 6.0 section 14 for the differences."""
    grid = page.grid
    rows = np.frombuffer(data, dtype=grid.dtype).reshape(row_count, grid.width_px, grid.samples_in_segment)
    rows = rows.astype(page.facts.dtype, copy=False)
    return np.cumsum(rows, axis=1, dtype=page.facts.dtype) if page.predictor == 2 else rows
