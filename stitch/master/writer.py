"""The master as a TIFF, written row by row and believed only after it was read back from the disk.

The file is laid out in full before the first pixel: header, tags, then uncompressed strips of 64 rows one behind
the other, so that any window can be read by position. Memory does not depend on the picture's size.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import BinaryIO

import numpy as np
import tifffile
from numpy.typing import NDArray

from stitch.errors import InternalFault, write_error
from stitch.master.layout import ROWS_PER_STRIP, Kind, file_bytes_at_most, kind_for
from stitch.master.rationals import ppi_fraction
from stitch.master.readback import Expected, read_back
from stitch.master.tags import TagTexts, write_arguments
from stitch.master.xmp import xmp_packet
from stitch.model.master import MasterRecord, MasterSpec


class MasterWriter:
    """Context manager that writes one RGB TIFF; only `finish` makes it a master.

    With `has_alpha` a fourth channel says what is covered, 0 or the largest code: unassociated alpha (TIFF 6.0,
    ExtraSamples 2), so that colours are not multiplied by it.

    Left without `finish` (an error, an interruption) the file is removed.

    path : where to write, usually a temporary name. file_name : the name it will have, for the record.
    kind : forces classic TIFF or BigTIFF; by default decided from the computed size.
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
        written_at: datetime | None = None,
    ) -> None:
        self._path, self._spec, self._file_name = path, spec, file_name
        self._texts = _texts(spec, written_at or datetime.now().astimezone())
        self._dtype = np.dtype({8: "u1", 16: "<u2"}[spec.bits])
        self._samples = 4 if has_alpha else 3
        self._data_bytes = spec.size.width_px * spec.size.height_px * self._samples * self._dtype.itemsize
        at_most = file_bytes_at_most(spec.size, data_bytes=self._data_bytes, tag_bytes=self._texts.long_bytes)
        self.kind = kind or kind_for(at_most)
        self._hash = hashlib.sha256()  # of the file as it grows, header first
        self._rows_count = 0
        self._file: BinaryIO | None = None
        self._is_finished = False

    def __enter__(self) -> MasterWriter:
        try:
            offset = self._write_header()
            self._file = self._path.open("r+b", buffering=0)
            self._hash.update(self._file.read(offset))
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

    @property
    def is_bigtiff(self) -> bool:
        """True when the file is a BigTIFF."""
        return self.kind is Kind.BIG

    def write_rows(self, rows: NDArray[np.uint8] | NDArray[np.uint16]) -> None:
        """Append rows of shape (n, width, 3 or 4), from the top down, in the master's dtype. Raises WriteError."""
        count = rows.shape[0]
        wanted = (count, self._spec.size.width_px, self._samples)
        if rows.shape != wanted or rows.dtype.newbyteorder("<") != self._dtype:
            raise InternalFault(f"Rows of shape {rows.shape} and type {rows.dtype} do not fit the master.")
        if self._file is None or self._rows_count + count > self._spec.size.height_px:
            raise InternalFault("More rows were handed over than the master has.")
        data = np.ascontiguousarray(rows, dtype=self._dtype).data.cast("B")
        self._hash.update(data)
        try:
            write_all(self._file, data)
        except OSError as error:
            raise write_error(self._path, error) from error
        self._rows_count += count

    def finish(self) -> MasterRecord:
        """Flush to the disk, read the file back from there, compare tags and pixels.

        Raises InternalFault when rows are missing, WriteError when what was read is not what was written.
        """
        if self._file is None or self._rows_count != self._spec.size.height_px:
            raise InternalFault(f"Only {self._rows_count} of {self._spec.size.height_px} rows were handed over.")
        try:
            os.fsync(self._file.fileno())
            self._file.close()
            expected = Expected(
                size=self._spec.size,
                bits=(self._spec.bits,) * self._samples,
                kind=self.kind,
                texts=self._texts,
                file_sha256=self._hash.hexdigest(),
            )
            found = read_back(self._path, expected)
        except OSError as error:
            raise write_error(self._path, error) from error
        self._is_finished = True
        return MasterRecord(self._file_name, found.sha256, found.byte_count, self.is_bigtiff, found.tags)

    def _write_header(self) -> int:
        """Lay the file out and return where the first row goes."""
        size = self._spec.size
        with tifffile.TiffWriter(self._path, bigtiff=self.is_bigtiff, byteorder="<", shaped=False) as tiff:
            place = tiff.write(
                None,
                shape=(size.height_px, size.width_px, self._samples),
                dtype=self._dtype,
                photometric="rgb",
                planarconfig="contig",
                extrasamples=("unassalpha",) if self._samples == 4 else None,
                rowsperstrip=ROWS_PER_STRIP,
                returnoffset=True,
                **write_arguments(self._texts),
            )
        if place is None or place[1] != self._data_bytes or self._path.stat().st_size != sum(place):
            raise InternalFault("The master's strips were not laid out one behind the other.")
        return place[0]

    def _abandon(self) -> None:
        if self._file is not None:
            self._file.close()
        with contextlib.suppress(OSError):
            self._path.unlink(missing_ok=True)


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
