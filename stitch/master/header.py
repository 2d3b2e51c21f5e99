"""The head of a TIFF that is written before its strips: header, directory, tags, and room for the strips' places."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO
from typing import Any

import numpy as np
import tifffile

LONG8 = 16  # BigTIFF's type of 64-bit numbers
STRIP_OFFSETS, STRIP_BYTE_COUNTS = 273, 279


@dataclass(frozen=True, slots=True)
class PackedHead:
    """The head of a file with packed strips, before their sizes are known. Strips follow it one behind the other."""

    content: bytes
    places: dict[int, tuple[int, str]]  # of the two lists of strips: where in the head, and the format of a number

    def filled(self, strip_bytes: Sequence[int]) -> bytes:
        """The head with the strips' places and sizes. Raises struct.error when one does not fit its kind of TIFF."""
        ends = np.cumsum([len(self.content), *strip_bytes]).tolist()
        head = bytearray(self.content)
        for number, values in ((STRIP_OFFSETS, ends[:-1]), (STRIP_BYTE_COUNTS, list(strip_bytes))):
            at, form = self.places[number]
            struct.pack_into(f"<{len(values)}{form}", head, at, *values)
        return bytes(head)


def packed_head(*, is_bigtiff: bool, strip_count: int, **arguments: Any) -> PackedHead:
    """The head that `tifffile.TiffWriter.write` makes for `arguments`, with as many packed strips."""
    made = BytesIO()
    with tifffile.TiffWriter(made, bigtiff=is_bigtiff, byteorder="<", shaped=False) as tiff:
        tiff.write((b"\0" for _ in range(strip_count)), **arguments)
    made.seek(0)
    with tifffile.TiffFile(made) as tiff_file:
        page = tiff_file.pages.first
        forms = {number: page.tags[number] for number in (STRIP_OFFSETS, STRIP_BYTE_COUNTS)}
        places = {number: (tag.valueoffset, "Q" if tag.dtype == LONG8 else "I") for number, tag in forms.items()}
        end = page.dataoffsets[0]
    return PackedHead(made.getvalue()[:end], places)
