"""Labels and masks as TIFF: one channel over the whole master, the same size, losslessly packed."""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
import tifffile
from imagecodecs import deflate_encode
from numpy.typing import NDArray

from stitch.errors import InternalFault, write_error
from stitch.master.layout import ROWS_PER_STRIP, Kind, file_bytes_at_most, kind_for
from stitch.master.rationals import ppi_fraction
from stitch.master.readback import Expected, Found, Written, read_back
from stitch.master.tags import TagTexts, write_arguments
from stitch.model.geometry import Size

LEVEL = 6  # of Deflate


class PackedWriter:
    """Context manager that writes one grey TIFF with Deflate strips.

    Packed strips are held in memory until `finish`: labels and masks lie in large even areas, and a strip of 64 rows
    packs to a few hundred bytes. Left without `finish` nothing is on the disk.

    bits : 8 or 16.
    """

    def __init__(
        self, path: Path, size: Size, *, bits: int, ppi: float, description: str, written_at: datetime | None = None
    ) -> None:
        self._path, self._size, self._bits = path, size, bits
        self._dtype = np.dtype({8: "u1", 16: "<u2"}[bits])
        self._texts = TagTexts(ppi_fraction(ppi), written_at or datetime.now().astimezone(), description=description)
        self._waiting: list[NDArray[Any]] = []
        self._waiting_rows_count = 0
        self._strips: list[bytes] = []
        self._rows_count = 0
        self._is_finished = False

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if not self._is_finished:
            with contextlib.suppress(OSError):
                self._path.unlink(missing_ok=True)

    def write_rows(self, labels: NDArray[np.uint8] | NDArray[np.uint16]) -> None:
        """Append rows of shape (n, width), from the top down; they may be held on to, so that they must not change."""
        if labels.ndim != 2 or labels.shape[1] != self._size.width_px or labels.dtype.itemsize != self._dtype.itemsize:
            raise InternalFault(f"Labels of shape {labels.shape} and type {labels.dtype} do not fit the master.")
        self._rows_count += labels.shape[0]
        if self._rows_count > self._size.height_px:
            raise InternalFault("More rows of labels were handed over than the master has.")
        self._waiting.append(labels.astype(self._dtype, copy=False))
        self._waiting_rows_count += labels.shape[0]
        if self._waiting_rows_count >= ROWS_PER_STRIP or self._rows_count == self._size.height_px:
            self._pack()

    def finish(self) -> Found:
        """Write the file and read it back. Raises WriteError, InternalFault when rows are missing."""
        if self._rows_count != self._size.height_px:
            raise InternalFault(f"Only {self._rows_count} of {self._size.height_px} rows of labels were handed over.")
        packed_bytes = sum(len(strip) for strip in self._strips)
        kind = kind_for(file_bytes_at_most(self._size, data_bytes=packed_bytes, tag_bytes=self._texts.long_bytes))
        whole = self._as_tiff(kind)
        expected = Expected(
            self._size,
            (self._bits,),
            kind,
            self._texts,
            written=Written(hashlib.sha256(whole).hexdigest()),
            compression=8,
        )
        try:
            with self._path.open("wb") as file:
                file.write(whole)
                file.flush()
                os.fsync(file.fileno())
            found = read_back(self._path, expected)
        except OSError as error:
            raise write_error(self._path, error) from error
        self._is_finished = True
        return found

    def _pack(self) -> None:
        rows = self._waiting[0] if len(self._waiting) == 1 else np.concatenate(self._waiting)
        is_last = self._rows_count == self._size.height_px
        until = rows.shape[0] if is_last else rows.shape[0] // ROWS_PER_STRIP * ROWS_PER_STRIP
        for top in range(0, until, ROWS_PER_STRIP):
            strip = rows[top : min(top + ROWS_PER_STRIP, until)].tobytes()
            self._strips.append(bytes(deflate_encode(strip, level=LEVEL)))
        self._waiting = [rows[until:]]
        self._waiting_rows_count = rows.shape[0] - until

    def _as_tiff(self, kind: Kind) -> memoryview:
        memory = io.BytesIO()
        with tifffile.TiffWriter(memory, bigtiff=kind is Kind.BIG, byteorder="<", shaped=False) as tiff:
            tiff.write(
                iter(self._strips),
                shape=(self._size.height_px, self._size.width_px),
                dtype=self._dtype,
                photometric="minisblack",
                compression="adobe_deflate",
                rowsperstrip=ROWS_PER_STRIP,
                **write_arguments(self._texts),
            )
        return memory.getbuffer()


class LabelWriter(PackedWriter):
    """Writes labels: 0 is no scan, k is scan_ids[k - 1]. `notice` goes before the names in the file's description."""

    def __init__(
        self,
        path: Path,
        size: Size,
        *,
        bits: int,
        ppi: float,
        scan_ids: Sequence[str],
        notice: str = "",
        written_at: datetime | None = None,
    ) -> None:
        names = "; ".join(f"{number} {name}" for number, name in enumerate(("no scan", *scan_ids)))
        said = f"{notice}. {names}" if notice else names
        super().__init__(path, size, bits=bits, ppi=ppi, description=said, written_at=written_at)
        if len(scan_ids) > np.iinfo(self._dtype).max:
            raise InternalFault(f"{len(scan_ids)} scans do not fit labels of {bits} bits.")
