"""A PNG written row by row: grey, RGB or RGB with straight alpha, 8 or 16 bits, of any height in little memory.

W3C Recommendation "Portable Network Graphics": clauses 5 (chunks), 9 (filter type 2, Up), 10 (zlib), 11 (IHDR, iCCP,
pHYs, tEXt, iTXt). Alpha is straight, never multiplied into the colours, as the format has it. The XMP packet goes into
an iTXt chunk of the keyword XML:com.adobe.xmp (XMP specification part 3).
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import struct
import zlib
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, Self

import numpy as np
from numpy.typing import NDArray

from stitch.errors import InternalFault, WriteError, write_error
from stitch.master.readback import forget_cached
from stitch.master.writer import write_all
from stitch.master.xmp import SOFTWARE
from stitch.model.geometry import Size

SIGNATURE = b"\x89PNG\r\n\x1a\n"
COLOUR_TYPES = {1: 0, 3: 2, 4: 6}  # samples a pixel to the header's colour type
UP = 2
LEVEL = 3
CHUNK_BYTES = 1 << 20
METRE_IN = 39.37007874015748


class PngWriter:
    """Context manager that writes one PNG; only `finish` makes it whole. Left without it the file is removed.

    samples : 1 grey, 3 RGB, 4 RGB and straight alpha. bits : 8 or 16.
    """

    def __init__(
        self,
        path: Path,
        size: Size,
        *,
        samples: int,
        bits: int,
        ppi: float,
        profile: bytes | None = None,
        xmp: bytes | None = None,
        description: str = "",
    ) -> None:
        self._path, self._size, self._samples, self._bits = path, size, samples, bits
        self._head = _head(size, samples, bits, ppi, profile, xmp, description)
        self._above = np.zeros(size.width_px * samples * bits // 8, np.uint8)
        self._packer = zlib.compressobj(LEVEL)
        self._hash = hashlib.sha256()
        self._rows_count = 0
        self._file: BinaryIO | None = None
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="png")
        self._packing: Future[bytes] | None = None
        self._is_finished = False

    def __enter__(self) -> Self:
        try:
            self._file = self._path.open("wb", buffering=0)
            self._put(self._head)
        except OSError as error:
            raise write_error(self._path, error) from error
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._pool.shutdown(wait=True, cancel_futures=True)
        if self._file is not None:
            self._file.close()
        if not self._is_finished:
            with contextlib.suppress(OSError):
                self._path.unlink(missing_ok=True)

    def write_rows(self, rows: NDArray[np.uint8] | NDArray[np.uint16]) -> None:
        """Append rows of shape (n, width, samples), or (n, width) of grey, from the top down. Raises WriteError."""
        wanted = self._size.width_px, self._samples
        shaped = rows.reshape(rows.shape[0], rows.shape[1], -1)
        if shaped.shape[1:] != wanted or rows.dtype.itemsize * 8 != self._bits:
            raise InternalFault(f"Rows of shape {rows.shape} and type {rows.dtype} do not fit the PNG.")
        self._rows_count += len(rows)
        if self._rows_count > self._size.height_px:
            raise InternalFault("More rows were handed over than the PNG has.")
        self._take_packed()
        self._packing = self._pool.submit(self._packer.compress, self._filtered(shaped))

    def finish(self) -> str:
        """Write what is left and read the file back; its SHA-256. Raises WriteError, InternalFault without all rows."""
        if self._file is None or self._rows_count != self._size.height_px:
            raise InternalFault(f"Only {self._rows_count} of {self._size.height_px} rows were handed over.")
        self._take_packed()
        try:
            self._put_data(self._packer.flush())
            self._put(_chunk(b"IEND", b""))
            os.fsync(self._file.fileno())
            self._file.close()
            forget_cached(self._path)
            with self._path.open("rb") as file:
                found = hashlib.file_digest(file, "sha256").hexdigest()
        except OSError as error:
            raise write_error(self._path, error) from error
        if found != self._hash.hexdigest():
            raise WriteError(
                f"{self._path.name} was read back from the disk and is not what was written.",
                advice="Check the disk, or choose another place with --out.",
            )
        self._is_finished = True
        return found

    def _filtered(self, rows: NDArray[Any]) -> bytes:
        """Rows as the stream has them: a filter byte, then each byte less the byte above it."""
        big = np.ascontiguousarray(rows, dtype=">u2" if self._bits == 16 else np.uint8)
        plain = big.view(np.uint8).reshape(len(rows), -1)
        out = np.empty((len(rows), plain.shape[1] + 1), np.uint8)
        out[:, 0] = UP
        np.subtract(plain[:1], self._above, out=out[:1, 1:])
        np.subtract(plain[1:], plain[:-1], out=out[1:, 1:])
        self._above = plain[-1].copy()
        return out.tobytes()

    def _take_packed(self) -> None:
        if self._packing is not None:
            try:
                self._put_data(self._packing.result())
            except OSError as error:
                raise write_error(self._path, error) from error
            self._packing = None

    def _put_data(self, packed: bytes) -> None:
        for start in range(0, len(packed), CHUNK_BYTES):
            self._put(_chunk(b"IDAT", packed[start : start + CHUNK_BYTES]))

    def _put(self, data: bytes) -> None:
        assert self._file is not None
        self._hash.update(data)
        write_all(self._file, memoryview(data))


def _head(
    size: Size, samples: int, bits: int, ppi: float, profile: bytes | None, xmp: bytes | None, description: str
) -> bytes:
    per_metre = round(ppi * METRE_IN)
    header = struct.pack(">IIBBBBB", size.width_px, size.height_px, bits, COLOUR_TYPES[samples], 0, 0, 0)
    parts = [SIGNATURE, _chunk(b"IHDR", header), _chunk(b"tEXt", b"Software\0" + SOFTWARE.encode("latin-1"))]
    if profile is not None and samples > 1:
        parts.append(_chunk(b"iCCP", b"profile\0\0" + zlib.compress(profile)))
    parts.append(_chunk(b"pHYs", struct.pack(">IIB", per_metre, per_metre, 1)))
    if description:
        parts.append(_chunk(b"iTXt", b"Description\0\0\0\0\0" + description.encode("utf-8", "replace")))
    if xmp is not None:
        parts.append(_chunk(b"iTXt", b"XML:com.adobe.xmp\0\0\0\0\0" + xmp))
    return b"".join(parts)


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(data, zlib.crc32(kind)))
