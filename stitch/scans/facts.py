"""What a file's header says of one page, before Orientation is applied."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitch.model.geometry import Size


class FileFormat(StrEnum):
    """The formats that are read, told apart by their first bytes."""

    TIFF = "TIFF"
    PNG = "PNG"
    JPEG = "JPEG"


@dataclass(frozen=True, slots=True)
class PageFacts:
    """Facts of one page as stored."""

    file_format: FileFormat
    page_index: int  # place in the file's chain of pages, from 0
    size: Size  # as stored
    bits: int  # 8 or 16
    sample_count: int  # samples stored per pixel, extra ones included
    is_grey: bool
    is_inverted: bool  # grey stored with 0 as white
    is_premultiplied: bool  # the first extra sample is alpha that the colours were multiplied by
    orientation: int  # 1..8
    ppi_x: float | None  # along stored rows
    ppi_y: float | None
    compression: str
    profile: bytes | None

    @property
    def colour_count(self) -> int:
        """Samples that are colour: 1 or 3."""
        return 1 if self.is_grey else 3

    @property
    def extra_count(self) -> int:
        """Samples beyond the colours: alpha, infrared, …"""
        return self.sample_count - self.colour_count

    @property
    def dtype(self) -> np.dtype[Any]:
        """The native type of a sample."""
        return np.dtype(np.uint8 if self.bits == 8 else np.uint16)

    @property
    def byte_count(self) -> int:
        """Bytes of the decoded page."""
        return self.size.width_px * self.size.height_px * self.sample_count * self.bits // 8


@dataclass(frozen=True, slots=True)
class SegmentGrid:
    """How a page is cut into strips or tiles. Strips are segments as wide as the page; the last may be short."""

    size: Size
    sample_count: int  # of the page
    dtype: np.dtype[Any]  # as stored, with its byte order
    width_px: int  # of a segment
    height_px: int
    is_planar: bool  # every sample in segments of its own
    is_tiled: bool  # tiles are stored whole, strips are cut at the last row

    @property
    def across_count(self) -> int:
        """Segments side by side."""
        return -(-self.size.width_px // self.width_px)

    @property
    def down_count(self) -> int:
        """Segments one below the other."""
        return -(-self.size.height_px // self.height_px)

    @property
    def plane_count(self) -> int:
        """Planes stored one after the other: 1, or one per sample."""
        return self.sample_count if self.is_planar else 1

    @property
    def samples_in_segment(self) -> int:
        """Samples of one pixel held together."""
        return 1 if self.is_planar else self.sample_count

    @property
    def segment_count(self) -> int:
        """All segments of the page."""
        return self.across_count * self.down_count * self.plane_count

    @property
    def row_byte_count(self) -> int:
        """Bytes of one row of one segment, decoded."""
        return self.width_px * self.samples_in_segment * self.dtype.itemsize

    def index(self, plane: int, row: int, column: int) -> int:
        """Number of the segment in row and column of the grid."""
        return (plane * self.down_count + row) * self.across_count + column

    def stored_height_px(self, index: int) -> int:
        """Rows that segment `index` stores."""
        row = index // self.across_count % self.down_count
        return self.height_px if self.is_tiled else min(self.height_px, self.size.height_px - row * self.height_px)

    def segment_byte_count(self, index: int) -> int:
        """Bytes of segment `index`, decoded."""
        return self.stored_height_px(index) * self.row_byte_count

    def band_byte_count(self) -> int:
        """Bytes of all segments that one row of pixels touches, decoded."""
        return self.row_byte_count * self.height_px * self.across_count * self.plane_count


Decode = Callable[[bytes, int], NDArray[Any]]
"""Encoded bytes and number of a segment to an array (rows, columns, samples)."""


@dataclass(frozen=True, slots=True)
class TiffPage:
    """One full page of a TIFF: its facts, and where its segments lie."""

    facts: PageFacts
    grid: SegmentGrid
    offsets: tuple[int, ...]
    byte_counts: tuple[int, ...]
    predictor: int  # 1 none, 2 horizontal differences
    decode: Decode | None  # None when the bytes are the pixels
    can_stream: bool  # plain deflate: can be inflated row by row
