"""TIFF headers: every full page with its facts and the places of its strips or tiles.

TIFF revision 6.0 (1992); BigTIFF as described by the libtiff project. Nothing of the pixels is read here.
"""

from __future__ import annotations

import logging
import struct
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray
from tifffile import TiffFile
from tifffile import TiffPage as LibraryPage

from stitch.model.geometry import Size
from stitch.scans.facts import Decode, FileFormat, PageFacts, SegmentGrid, TiffPage
from stitch.scans.sanity import check_claim, check_size
from stitch.scans.trouble import reading_header, unusable

logging.getLogger("tifffile").addHandler(logging.NullHandler())  # the library logs what is refused here by name

COMPRESSIONS = {
    1: "none",
    5: "lzw",
    7: "jpeg",
    8: "deflate",
    32946: "deflate",
    32773: "packbits",
    34926: "zstd",
    50000: "zstd",
}
WHITE_IS_ZERO, BLACK_IS_ZERO, RGB, YCBCR = 0, 1, 2, 6
REFUSED_PHOTOMETRICS = {
    3: "is a palette (indexed colour) picture",
    4: "is a transparency mask, not a picture",
    5: "is a CMYK picture",
    8: "is a Lab picture",
    9: "is a Lab picture",
    10: "is a Lab picture",
    32803: "holds raw camera data",
    34892: "holds raw camera data",
}
CENTIMETRE, INCH = 3, 2
CM_PER_INCH = 2.54
PAGE_LIMIT = 10_000


def read_pages(path: Path) -> tuple[TiffPage, ...]:
    """Every full page of the TIFF at `path`, in order; reduced pages and masks are left out.

    Raises ScanError when the file is damaged or holds a page that is not supported.
    """
    with reading_header(path), path.open("rb") as file:
        file_byte_count = file.seek(0, 2)
        chain_length = _chain_length(file)
        file.seek(0)
        with TiffFile(file) as tiff:
            if len(tiff.pages) != chain_length:
                raise EOFError(f"{chain_length} pages are announced, {len(tiff.pages)} are there")
            full = [(i, page) for i, page in enumerate(tiff.pages) if not _is_reduced(page)]
            pages = tuple(_read_page(path, page, i, tiff.byteorder, file_byte_count) for i, page in full)
    if not pages:
        raise unusable(path, "holds no full-size page")
    return pages


def _chain_length(file: BinaryIO) -> int:
    """How many pages follow one another. Raises struct.error or ValueError where the chain breaks."""
    file.seek(0)
    head = file.read(16)
    order = "<" if head[:2] == b"II" else ">"
    is_big = struct.unpack(order + "H", head[2:4])[0] == 43
    offset = struct.unpack(order + "Q", head[8:16])[0] if is_big else struct.unpack(order + "I", head[4:8])[0]
    count_format, entry_size, next_format = ("Q", 20, "Q") if is_big else ("H", 12, "I")
    seen: set[int] = set()
    while offset:
        if offset in seen or len(seen) >= PAGE_LIMIT:
            raise ValueError("its chain of pages does not end")
        seen.add(offset)
        file.seek(offset)
        (entries,) = struct.unpack(order + count_format, file.read(struct.calcsize(count_format)))
        file.seek(entries * entry_size, 1)
        (offset,) = struct.unpack(order + next_format, file.read(struct.calcsize(next_format)))
    return len(seen)


def _is_reduced(page: Any) -> bool:
    """Reduced copies and masks: NewSubfileType (tag 254) bits 0 and 2, or SubfileType (tag 255) 2."""
    return bool(int(page.tags.valueof(254, 0)) & 0b101) or int(page.tags.valueof(255, 0)) == 2


def _read_page(path: Path, page: Any, index: int, byte_order: str, file_byte_count: int) -> TiffPage:
    _refuse_unsupported(path, page)
    facts = _facts(page, index)
    check_size(path, facts.size)
    grid = _grid(page, facts, byte_order)
    result = TiffPage(
        facts=facts,
        grid=grid,
        offsets=tuple(int(offset) for offset in page.dataoffsets),
        byte_counts=tuple(int(count) for count in page.databytecounts),
        predictor=int(page.predictor),
        decode=_decoder(page),
        can_stream=facts.compression == "deflate" and int(page.fillorder) == 1,
    )
    _check_segments(path, result, file_byte_count)
    return result


def _refuse_unsupported(path: Path, page: Any) -> None:
    compression, photometric = int(page.compression), int(page.photometric)
    bits, sample_format = page.bitspersample, page.sampleformat
    if photometric in REFUSED_PHOTOMETRICS:
        raise unusable(path, REFUSED_PHOTOMETRICS[photometric])
    if sample_format == 3:
        raise unusable(path, "holds floating-point numbers, not 8- or 16-bit values")
    if bits == 1:
        raise unusable(path, "is a 1-bit (black or white) picture")
    if bits not in (8, 16) or sample_format != 1:
        raise unusable(path, f"holds values of a kind that is not supported (bits per sample {bits})")
    if compression not in COMPRESSIONS:
        name = getattr(page.compression, "name", compression)
        raise unusable(path, f"is compressed in a way that is not supported ({name})")
    if photometric == YCBCR and COMPRESSIONS[compression] != "jpeg":
        raise unusable(path, "is a YCbCr picture without JPEG compression")
    if photometric not in (WHITE_IS_ZERO, BLACK_IS_ZERO, RGB, YCBCR):
        raise unusable(path, f"is a picture of a kind that is not supported (photometric {photometric})")
    if COMPRESSIONS[compression] == "jpeg" and bits != 8:
        raise unusable(path, "is JPEG-compressed with more than 8 bits")
    if int(page.predictor) not in (1, 2):
        raise unusable(path, f"is compressed in a way that is not supported (predictor {int(page.predictor)})")
    least = 1 if photometric in (WHITE_IS_ZERO, BLACK_IS_ZERO) else 3
    if int(page.samplesperpixel) < least or int(page.imagedepth) != 1:
        raise unusable(path, "has a header that contradicts itself")


def _facts(page: Any, index: int) -> PageFacts:
    ppi_x, ppi_y = _resolution(page)
    photometric = int(page.photometric)
    orientation = int(page.tags.valueof(274, 1))
    extras = tuple(int(extra) for extra in page.extrasamples or ())
    profile = page.tags.valueof(34675)
    return PageFacts(
        file_format=FileFormat.TIFF,
        page_index=index,
        size=Size(int(page.imagewidth), int(page.imagelength)),
        bits=int(page.bitspersample),
        sample_count=int(page.samplesperpixel),
        is_grey=photometric in (WHITE_IS_ZERO, BLACK_IS_ZERO),
        is_inverted=photometric == WHITE_IS_ZERO,
        is_premultiplied=extras[:1] == (1,),
        orientation=orientation if 1 <= orientation <= 8 else 1,
        ppi_x=ppi_x,
        ppi_y=ppi_y,
        compression=COMPRESSIONS[int(page.compression)],
        profile=bytes(profile) if profile else None,
    )


def _resolution(page: Any) -> tuple[float | None, float | None]:
    """Pixels per inch along rows and columns; None where the file states none or states no unit."""
    unit = int(page.tags.valueof(296, INCH))
    if unit not in (INCH, CENTIMETRE):
        return None, None
    factor = CM_PER_INCH if unit == CENTIMETRE else 1.0
    return _ppi(page.tags.valueof(282), factor), _ppi(page.tags.valueof(283), factor)


def _ppi(rational: Any, factor: float) -> float | None:
    if not isinstance(rational, tuple) or len(rational) != 2 or rational[1] == 0 or rational[0] <= 0:
        return None
    return float(rational[0]) / float(rational[1]) * factor


def _grid(page: Any, facts: PageFacts, byte_order: str) -> SegmentGrid:
    is_tiled = bool(page.is_tiled)
    return SegmentGrid(
        size=facts.size,
        sample_count=facts.sample_count,
        dtype=facts.dtype.newbyteorder("<" if byte_order == "<" else ">"),
        width_px=int(page.tilewidth) if is_tiled else facts.size.width_px,
        height_px=int(page.tilelength) if is_tiled else int(page.rowsperstrip),
        is_planar=int(page.planarconfig) == 2 and facts.sample_count > 1,
        is_tiled=is_tiled,
    )


def _decoder(page: LibraryPage) -> Decode | None:
    """The way from encoded bytes to samples in native byte order; None when nothing is encoded."""
    if int(page.compression) == 1 and int(page.fillorder) == 1 and int(page.predictor) == 1:
        return None
    decode, tables = page.decode, page.jpegtables
    is_jpeg = int(page.compression) == 7

    def decode_segment(data: bytes, index: int) -> NDArray[Any]:
        if is_jpeg and b"\xff\xd9" not in data[-64:]:
            raise EOFError("a JPEG strip has no end")
        pixels = decode(data, index, jpegtables=tables)[0]
        if pixels is None:
            raise EOFError(f"strip or tile {index + 1} is empty")
        return pixels[0].astype(pixels.dtype.newbyteorder("="), copy=False)

    return decode_segment


def _check_segments(path: Path, page: TiffPage, file_byte_count: int) -> None:
    grid = page.grid
    if min(grid.width_px, grid.height_px) < 1:
        raise unusable(path, "has a header that contradicts itself")
    if not len(page.offsets) == len(page.byte_counts) == grid.segment_count:
        raise EOFError(f"{grid.segment_count} strips or tiles are needed, {len(page.offsets)} are listed")
    needed = np.array([grid.segment_byte_count(i) for i in range(grid.segment_count)], dtype=np.int64)
    offsets, counts = np.array(page.offsets, dtype=np.int64), np.array(page.byte_counts, dtype=np.int64)
    if page.decode is None:
        if (counts < needed).any():
            raise EOFError("its strips or tiles are shorter than the picture needs")
        counts = needed
    if (offsets <= 0).any() or (counts <= 0).any():
        raise EOFError("a strip or tile is empty")
    if int((offsets + counts).max()) > file_byte_count:
        raise EOFError(f"the picture needs {int((offsets + counts).max()):,} bytes, the file has {file_byte_count:,}")
    check_claim(path, page.facts.compression, needed, counts)
