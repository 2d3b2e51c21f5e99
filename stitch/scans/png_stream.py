"""Decoding a PNG band by band.

The compressed stream is inflated piece by piece (zlib); each band of filtered rows is then handed to libpng as a small
PNG of its own whose first row is the last row decoded before, which is all that the filters look at.
W3C Recommendation "Portable Network Graphics", clauses 5 (chunks), 9 (filtering), 10 (compression).
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO

import imagecodecs
from numpy.typing import NDArray

from stitch.scans.facts import PageFacts
from stitch.scans.inflate import inflated_rows
from stitch.scans.sanity import check_whole_decode

SIGNATURE = b"\x89PNG\r\n\x1a\n"


def png_bands(path: Path, facts: PageFacts) -> Iterator[NDArray[Any]]:
    """Bands (rows, width, samples) of the PNG, top to bottom, native byte order.

    Raises OSError, ValueError or what zlib and imagecodecs raise for damaged data.
    """
    with path.open("rb") as file:
        header = _header(file)
        if header[12]:
            yield _interlaced(path, file, facts)
            return
        row_bytes = facts.size.width_px * facts.sample_count * facts.bits // 8
        above = bytes(row_bytes)
        compressed = (data for kind, data in _chunks(file) if kind == b"IDAT")
        for filtered in inflated_rows(compressed, row_bytes + 1, facts.size.height_px):
            band = _unfiltered(header, above, filtered, facts)
            yield band
            above = band[-1].astype(facts.dtype.newbyteorder(">")).tobytes()


def _header(file: BinaryIO) -> bytes:
    file.seek(len(SIGNATURE))
    return next(data for kind, data in _chunks(file) if kind == b"IHDR")


def _chunks(file: BinaryIO) -> Iterator[tuple[bytes, bytes]]:
    while True:
        length, kind = struct.unpack(">I4s", file.read(8))
        data = file.read(length)
        (stated,) = struct.unpack(">I", file.read(4))
        if len(data) != length or zlib.crc32(data, zlib.crc32(kind)) != stated:
            raise ValueError("a part of it fails its own check sum")
        yield kind, data
        if kind == b"IEND":
            return


def _unfiltered(header: bytes, above: bytes, filtered: bytes, facts: PageFacts) -> NDArray[Any]:
    row_count = len(filtered) // (len(above) + 1)
    small_header = struct.pack(">II", facts.size.width_px, row_count + 1) + header[8:]
    stream = zlib.compress(b"\0" + above + filtered, 0)
    small = SIGNATURE + _chunk(b"IHDR", small_header) + _chunk(b"IDAT", stream) + _chunk(b"IEND", b"")
    return _shaped(imagecodecs.png_decode(small), facts, row_count + 1)[1:]


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(data, zlib.crc32(kind)))


def _interlaced(path: Path, file: BinaryIO, facts: PageFacts) -> NDArray[Any]:
    check_whole_decode(path, facts.byte_count)
    file.seek(0)
    return _shaped(imagecodecs.png_decode(file.read()), facts, facts.size.height_px)


def _shaped(pixels: NDArray[Any], facts: PageFacts, row_count: int) -> NDArray[Any]:
    if pixels.dtype != facts.dtype:
        raise ValueError(f"{facts.bits}-bit values were decoded as {pixels.dtype}")
    return pixels.reshape(row_count, facts.size.width_px, -1)[..., : facts.sample_count]
