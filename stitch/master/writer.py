"""The master as a TIFF, written row by row and believed only after it was read back from the disk.

The file is laid out before the first pixel: header, tags, then strips of 64 rows one behind the other, so that any
window can be read by position. Packed strips are written as they come, and their places filled in at the end. Memory
does not depend on the picture's size.
"""

from __future__ import annotations

import contextlib
import hashlib
import math
import os
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO

import numpy as np
import tifffile
from numpy.typing import NDArray

from stitch.errors import InternalFault, write_error
from stitch.master.header import PackedHead, packed_head
from stitch.master.layout import ROWS_PER_STRIP, Kind, file_bytes_at_most, kind_for, strip_count
from stitch.master.rationals import ppi_fraction
from stitch.master.readback import Expected, Written, read_back
from stitch.master.strips import LARGEST_SHARE, TAG_VALUE, StripPacker
from stitch.master.tags import TagTexts, write_arguments
from stitch.master.xmp import xmp_packet
from stitch.model.master import MasterRecord, MasterSpec
from stitch.model.settings import Compression

BYTES_A_PACKED_BYTE = 3  # of a strip in flight: as it came, as differences, packed


class MasterWriter:
    """Context manager that writes one RGB TIFF; only `finish` makes it a master.

    With `has_alpha` a fourth channel says what is covered, 0 or the largest code: unassociated alpha (TIFF 6.0,
    ExtraSamples 2), so that colours are not multiplied by it.

    Left without `finish` (an error, an interruption) the file is removed.

    path : where to write, usually a temporary name. file_name : the name it will have, for the record.
    kind : forces classic TIFF or BigTIFF; by default decided from the largest size that it can have.
    jobs : threads that pack strips.
    written_at : with time zone; default now.
    """

    def __init__(
        self,
        path: Path,
        spec: MasterSpec,
        *,
        file_name: str = "master.tif",
        has_alpha: bool = False,
        kind: Kind | None = None,
        jobs: int = 1,
        written_at: datetime | None = None,
    ) -> None:
        self._path, self._spec, self._file_name = path, spec, file_name
        self._texts = _texts(spec, written_at or datetime.now().astimezone())
        self._dtype = np.dtype({8: "u1", 16: "<u2"}[spec.bits])
        self._samples = 4 if has_alpha else 3
        self._data_bytes = spec.size.width_px * spec.size.height_px * self._samples * self._dtype.itemsize
        most_bytes = math.ceil(LARGEST_SHARE[spec.compression] * self._data_bytes)
        at_most = file_bytes_at_most(spec.size, data_bytes=most_bytes, tag_bytes=self._texts.long_bytes)
        self.most_bytes = at_most
        self.kind = kind or kind_for(at_most)
        self._hash = hashlib.sha256()  # of the file as it grows: header first, or strips alone when they are packed
        self._packer = None if spec.compression is Compression.NONE else StripPacker(spec.compression, jobs)
        self._head: PackedHead | None = None
        self._head_bytes = b""  # of a file with packed strips, once they are known
        self._strip_bytes: list[int] = []
        self._rows_count = 0
        self._file: BinaryIO | None = None
        self._is_finished = False

    def __enter__(self) -> MasterWriter:
        try:
            self._begin()
        except OSError as error:
            self._abandon()
            raise write_error(self._path, error) from error
        except BaseException:
            self._abandon()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if not self._is_finished:
            self._abandon()
        self._close_packer()

    @property
    def is_bigtiff(self) -> bool:
        """True when the file is a BigTIFF."""
        return self.kind is Kind.BIG

    @property
    def buffer_mb(self) -> int:
        """Memory that strips take while they are packed; 0 when they are written as they come."""
        if self._packer is None:
            return 0
        strip_bytes = ROWS_PER_STRIP * self._spec.size.width_px * self._samples * self._dtype.itemsize
        return math.ceil(BYTES_A_PACKED_BYTE * self._packer.most_strips * strip_bytes / 1e6)

    def write_rows(self, rows: NDArray[np.uint8] | NDArray[np.uint16]) -> None:
        """Append rows of shape (n, width, 3 or 4), from the top down, in the master's dtype. Raises WriteError."""
        count = rows.shape[0]
        wanted = (count, self._spec.size.width_px, self._samples)
        if rows.shape != wanted or rows.dtype.newbyteorder("<") != self._dtype:
            raise InternalFault(f"Rows of shape {rows.shape} and type {rows.dtype} do not fit the master.")
        if self._file is None or self._rows_count + count > self._spec.size.height_px:
            raise InternalFault("More rows were handed over than the master has.")
        data = np.ascontiguousarray(rows, dtype=self._dtype)
        if self._packer is None:
            self._put(data.data.cast("B"))
        else:
            self._put_strips(self._packer.take(data))
        self._rows_count += count

    def finish(self) -> MasterRecord:
        """Flush to the disk, read the file back from there, compare tags and pixels.

        Raises InternalFault when rows are missing, WriteError when what was read is not what was written.
        """
        if self._file is None or self._rows_count != self._spec.size.height_px:
            raise InternalFault(f"Only {self._rows_count} of {self._spec.size.height_px} rows were handed over.")
        try:
            if self._packer is not None:
                self._put_strips(self._packer.rest())
                self._fill_head()
            os.fsync(self._file.fileno())
            self._file.close()
            expected = Expected(
                size=self._spec.size,
                bits=(self._spec.bits,) * self._samples,
                kind=self.kind,
                texts=self._texts,
                written=Written(self._hash.hexdigest(), self._head_bytes),
                compression=TAG_VALUE[self._spec.compression],
            )
            found = read_back(self._path, expected)
        except OSError as error:
            raise write_error(self._path, error) from error
        self._is_finished = True
        return MasterRecord(self._file_name, found.sha256, found.byte_count, self.is_bigtiff, found.tags)

    def _begin(self) -> None:
        """Write everything before the first strip, and open the file behind it."""
        if self._packer is None:
            offset = self._write_header()
            self._file = self._path.open("r+b", buffering=0)
            self._hash.update(self._file.read(offset))
        else:
            count = strip_count(self._spec.size)
            arguments = {**self._arguments(), "compression": TAG_VALUE[self._spec.compression], "predictor": 2}
            self._head = packed_head(is_bigtiff=self.is_bigtiff, strip_count=count, **arguments)
            self._file = self._path.open("w+b", buffering=0)
            write_all(self._file, memoryview(self._head.content))

    def _arguments(self) -> dict[str, Any]:
        size = self._spec.size
        return {
            "shape": (size.height_px, size.width_px, self._samples),
            "dtype": self._dtype,
            "photometric": "rgb",
            "planarconfig": "contig",
            "extrasamples": ("unassalpha",) if self._samples == 4 else None,
            "rowsperstrip": ROWS_PER_STRIP,
            **write_arguments(self._texts),
        }

    def _write_header(self) -> int:
        """Lay the file out and return where the first row goes."""
        with tifffile.TiffWriter(self._path, bigtiff=self.is_bigtiff, byteorder="<", shaped=False) as tiff:
            place = tiff.write(None, returnoffset=True, **self._arguments())
        if place is None or place[1] != self._data_bytes or self._path.stat().st_size != sum(place):
            raise InternalFault("The master's strips were not laid out one behind the other.")
        return place[0]

    def _put_strips(self, strips: Iterator[bytes]) -> None:
        for strip in strips:
            self._strip_bytes.append(len(strip))
            self._put(memoryview(strip))

    def _put(self, data: memoryview) -> None:
        assert self._file is not None
        self._hash.update(data)
        try:
            write_all(self._file, data)
        except OSError as error:
            raise write_error(self._path, error) from error

    def _fill_head(self) -> None:
        """Write the strips' places, now that they are known."""
        assert self._file is not None and self._head is not None
        self._head_bytes = self._head.filled(self._strip_bytes)
        self._file.seek(0)
        write_all(self._file, memoryview(self._head_bytes))

    def _abandon(self) -> None:
        self._close_packer()
        if self._file is not None:
            self._file.close()
        with contextlib.suppress(OSError):
            self._path.unlink(missing_ok=True)

    def _close_packer(self) -> None:
        if self._packer is not None:
            self._packer.close()


def write_all(file: BinaryIO, data: memoryview) -> None:
    """Write every byte; an unbuffered file may take fewer than it was handed. Raises OSError."""
    while data.nbytes:
        data = data[file.write(data) :]


def _texts(spec: MasterSpec, written_at: datetime) -> TagTexts:
    return TagTexts(
        ppi=ppi_fraction(spec.ppi),
        written_at=written_at,
        description=spec.title,
        artist=spec.creator,
        copyright=spec.rights,
        profile=spec.profile,
        xmp=xmp_packet(spec, written_at),
    )
