"""A JPEG written while its rows come: 8 bits, baseline, no chroma subsampling, in constant memory.

Strips of 64 rows are packed by themselves and joined by restart markers: with the standard tables every strip begins
as after a restart (ITU-T T.81, B.2.1 and E.1.4). Density as JFIF 1.01 and EXIF state it, the profile in APP2 pieces
(ICC.1:2010, annex B.4), texts as EXIF and XMP.
"""

from __future__ import annotations

import contextlib
import io
import struct
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, Self

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from stitch.errors import InternalFault, UsageError, write_error
from stitch.model.geometry import Size

STRIP_ROWS = 64
MOST_SIDE_PX = 65500  # libjpeg's
MOST_PIECE = 65533 - 16
ICC_PIECE = 65519 - 14
XMP_HEAD = b"http://ns.adobe.com/xap/1.0/\0"
_KEPT = (0xDB, 0xC4)  # quantization and Huffman tables
_SOF0, _SOS = 0xC0, 0xDA


class JpegWriter:
    """Context manager that writes one RGB JPEG; left without `finish` the file is removed.

    quality : 1 to 100. head : segments that go before the tables, from `head_segments`.
    """

    def __init__(self, path: Path, size: Size, quality: int, head: bytes) -> None:
        if max(size.width_px, size.height_px) > MOST_SIDE_PX:
            raise UsageError(
                f"A JPEG holds at most {MOST_SIDE_PX} pixels a side; {path.name} would have more.",
                advice="Take --format tiff, or fewer dots per inch.",
            )
        self._path, self._size, self._quality, self._head = path, size, quality, head
        self._waiting = np.zeros((0, size.width_px, 3), np.uint8)
        self._rows_count = self._strip_count = 0
        self._file: BinaryIO | None = None
        self._is_finished = False

    def __enter__(self) -> Self:
        try:
            self._file = self._path.open("wb")
        except OSError as error:
            raise write_error(self._path, error) from error
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._file is not None:
            self._file.close()
        if not self._is_finished:
            with contextlib.suppress(OSError):
                self._path.unlink(missing_ok=True)

    def write_rows(self, rows: NDArray[np.uint8]) -> None:
        """Append rows (n, width, 3) from the top down. Raises WriteError."""
        self._rows_count += rows.shape[0]
        if rows.shape[1:] != (self._size.width_px, 3) or self._rows_count > self._size.height_px:
            raise InternalFault(f"Rows of shape {rows.shape} do not fit the print.")
        self._waiting = np.concatenate([self._waiting, rows])
        while self._waiting.shape[0] >= STRIP_ROWS:
            self._pack(self._waiting[:STRIP_ROWS])
            self._waiting = self._waiting[STRIP_ROWS:]

    def finish(self) -> None:
        """Write what is left and the end. Raises WriteError, InternalFault when rows are missing."""
        if self._rows_count != self._size.height_px:
            raise InternalFault(f"Only {self._rows_count} of {self._size.height_px} rows were handed over.")
        if self._waiting.shape[0]:
            self._pack(self._waiting)
        self._put(b"\xff\xd9")
        self._is_finished = True

    def _pack(self, rows: NDArray[np.uint8]) -> None:
        import imagecodecs

        packed = imagecodecs.jpeg8_encode(
            np.ascontiguousarray(rows),
            level=self._quality,
            colorspace="rgb",
            outcolorspace="ycbcr",
            subsampling="444",
            optimize=False,
        )
        tables, frame, scan, data = _parts(bytes(packed))
        if self._strip_count == 0:
            interval = -(-self._size.width_px // 8) * (STRIP_ROWS // 8)
            restart = _segment(0xDD, struct.pack(">H", interval))
            high = frame[:5] + struct.pack(">H", self._size.height_px) + frame[7:]
            self._put(b"\xff\xd8" + self._head + tables + high + restart + scan)
        else:
            self._put(bytes([0xFF, 0xD0 + (self._strip_count - 1) % 8]))
        self._put(data)
        self._strip_count += 1

    def _put(self, data: bytes) -> None:
        assert self._file is not None
        try:
            self._file.write(data)
        except OSError as error:
            raise write_error(self._path, error) from error


def head_segments(
    dpi: float, profile: bytes, xmp: bytes, *, title: str = "", creator: str = "", rights: str = "", software: str = ""
) -> bytes:
    """JFIF, EXIF, XMP and ICC segments. An XMP packet that fills no single segment is left out."""
    whole = max(1, min(65535, round(dpi)))
    parts = [_segment(0xE0, b"JFIF\0" + struct.pack(">BBBHHBB", 1, 1, 1, whole, whole, 0, 0))]
    parts.append(_segment(0xE1, _exif(dpi, {270: title, 305: software, 315: creator, 33432: rights})))
    if len(xmp) + len(XMP_HEAD) <= MOST_PIECE:
        parts.append(_segment(0xE1, XMP_HEAD + xmp))
    pieces = [profile[start : start + ICC_PIECE] for start in range(0, len(profile), ICC_PIECE)]
    for number, piece in enumerate(pieces, 1):
        parts.append(_segment(0xE2, b"ICC_PROFILE\0" + bytes([number, len(pieces)]) + piece))
    return b"".join(parts)


def _exif(dpi: float, texts: dict[int, str]) -> bytes:
    exif: Any = Image.Exif()
    exif[282] = exif[283] = Fraction(dpi).limit_denominator(10000)
    exif[296] = 2
    for tag, text in texts.items():
        if text:
            exif[tag] = text.replace("\0", "").encode("utf-8", "replace")[:2000]
    data: bytes = exif.tobytes()
    return data if data.startswith(b"Exif") else b"Exif\0\0" + data


def _segment(marker: int, body: bytes) -> bytes:
    return bytes([0xFF, marker]) + struct.pack(">H", len(body) + 2) + body


def _parts(packed: bytes) -> tuple[bytes, bytes, bytes, bytes]:
    """Tables, frame header, scan header and data of a JPEG with one scan."""
    tables, frame, at = io.BytesIO(), b"", 2
    while True:
        marker, length = packed[at + 1], struct.unpack_from(">H", packed, at + 2)[0]
        segment = packed[at : at + 2 + length]
        at += 2 + length
        if marker in _KEPT:
            tables.write(segment)
        elif marker == _SOF0:
            frame = segment
        elif marker == _SOS:
            end = packed.rindex(b"\xff\xd9")
            return tables.getvalue(), frame, segment, packed[at:end]
