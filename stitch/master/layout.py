"""How large a TIFF will be, and so which kind it has to be, before the first byte is written.

TIFF 6.0 counts file offsets in 32 bits; BigTIFF (magic number 43) in 64.
"""

from __future__ import annotations

from enum import Enum

from stitch.model.geometry import Size

ROWS_PER_STRIP = 64
CLASSIC_LIMIT_BYTES = 2**32  # no offset of a classic TIFF reaches this byte
_STRIP_ENTRY_BYTES = 16  # offset and byte count of one strip, at their largest
_DIRECTORY_BYTES = 4096  # header, directory, short tags and padding, generously


class Kind(Enum):
    """Classic TIFF or BigTIFF."""

    CLASSIC = 42
    BIG = 43


def strip_count(size: Size) -> int:
    """Strips of `ROWS_PER_STRIP` rows (TIFF 6.0, RowsPerStrip: floor((length + rows − 1) / rows))."""
    return (size.height_px + ROWS_PER_STRIP - 1) // ROWS_PER_STRIP


def file_bytes_at_most(size: Size, *, data_bytes: int, tag_bytes: int) -> int:
    """An upper bound of the file's size.

    data_bytes : of all strips together. tag_bytes : of the long tags (profile, XMP, texts).
    """
    return data_bytes + tag_bytes + _STRIP_ENTRY_BYTES * strip_count(size) + _DIRECTORY_BYTES


def kind_for(file_bytes: int) -> Kind:
    """Classic while every byte can be reached by a 32-bit offset, BigTIFF beyond."""
    return Kind.CLASSIC if file_bytes <= CLASSIC_LIMIT_BYTES else Kind.BIG
