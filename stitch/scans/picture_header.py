"""PNG and JPEG headers. Pillow reads the chunks and markers; the pixels are never taken from it.

PNG: W3C Recommendation "Portable Network Graphics", clauses 11.2.2 (IHDR) and 11.3.5.3 (pHYs).
JPEG: ITU-T T.81; JFIF 1.02; Exif 2.x for orientation and, where JFIF states no unit, resolution.
"""

from __future__ import annotations

import math
import struct
import threading
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from PIL import Image
from PIL.JpegImagePlugin import JpegImageFile
from PIL.PngImagePlugin import PngImageFile

from stitch.model.geometry import Size
from stitch.scans.facts import FileFormat, PageFacts
from stitch.scans.sanity import check_claim, check_size
from stitch.scans.trouble import reading_header, unusable

ORIENTATION, X_RESOLUTION, Y_RESOLUTION, RESOLUTION_UNIT = 274, 282, 283, 296
INCH, CENTIMETRE, CM_PER_INCH = 2, 3, 2.54
JFIF_INCH, JFIF_CENTIMETRE = 1, 2
PNG_SAMPLES = {0: 1, 2: 3, 4: 2, 6: 4}  # by colour type
PNG_PALETTE = 3

_FILTERS = threading.Lock()


def read_png(path: Path) -> PageFacts:
    """Facts of the PNG at `path`. Raises ScanError."""
    with reading_header(path), path.open("rb") as file:
        byte_count = _length(file)
        head = file.read(33)
        file.seek(0)
        with _quiet(), PngImageFile(file) as image:
            size, info, exif = Size(*image.size), dict(image.info), _exif(image.info)
        bits, colour_type = head[24], head[25]
    if colour_type == PNG_PALETTE:
        raise unusable(path, "is a palette (indexed colour) picture")
    if bits == 1:
        raise unusable(path, "is a 1-bit (black or white) picture")
    if bits not in (8, 16) or colour_type not in PNG_SAMPLES:
        raise unusable(path, f"holds {bits}-bit values, which are not supported")
    ppi = info.get("dpi") or (None, None)
    facts = PageFacts(
        file_format=FileFormat.PNG,
        page_index=0,
        size=size,
        bits=bits,
        sample_count=PNG_SAMPLES[colour_type],
        is_grey=colour_type in (0, 4),
        is_inverted=False,
        is_premultiplied=False,
        orientation=_orientation(exif),
        ppi_x=_positive(ppi[0]),
        ppi_y=_positive(ppi[1]),
        compression="deflate",
        profile=info.get("icc_profile") or None,
    )
    _check(path, facts, byte_count)
    return facts


def read_jpeg(path: Path) -> PageFacts:
    """Facts of the JPEG at `path`. Raises ScanError."""
    with reading_header(path), path.open("rb") as file:
        byte_count = _length(file)
        with _quiet(), JpegImageFile(file) as image:
            size, mode, info, exif = Size(*image.size), image.mode, dict(image.info), _exif(image.info)
    if mode == "CMYK":
        raise unusable(path, "is a CMYK picture")
    if mode not in ("L", "RGB"):
        raise unusable(path, f"is a JPEG of a kind that is not supported ({mode})")
    ppi_x, ppi_y = _jpeg_resolution(info, exif)
    facts = PageFacts(
        file_format=FileFormat.JPEG,
        page_index=0,
        size=size,
        bits=8,
        sample_count=1 if mode == "L" else 3,
        is_grey=mode == "L",
        is_inverted=False,
        is_premultiplied=False,
        orientation=_orientation(exif),
        ppi_x=ppi_x,
        ppi_y=ppi_y,
        compression="jpeg",
        profile=info.get("icc_profile") or None,
    )
    _check(path, facts, byte_count)
    return facts


def _length(file: BinaryIO) -> int:
    count = file.seek(0, 2)
    file.seek(0)
    return count


def _check(path: Path, facts: PageFacts, byte_count: int) -> None:
    check_size(path, facts.size)
    check_claim(path, facts.compression, np.array([facts.byte_count]), np.array([byte_count]))


@contextmanager
def _quiet() -> Iterator[None]:
    """Keeps Pillow's remarks on damaged Exif from the terminal. Filters are shared by all threads, hence the lock."""
    with _FILTERS, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


def _exif(info: Mapping[Any, Any]) -> Image.Exif:
    """The Exif block; an empty one when it is damaged, which is no reason to refuse the pixels."""
    try:
        exif = Image.Exif()
        exif.load(info.get("exif") or b"")
        return exif
    except (SyntaxError, ValueError, TypeError, LookupError, OSError, struct.error):
        return Image.Exif()


def _orientation(exif: Image.Exif) -> int:
    value = exif.get(ORIENTATION, 1)
    return value if isinstance(value, int) and 1 <= value <= 8 else 1


def _jpeg_resolution(info: Mapping[Any, Any], exif: Image.Exif) -> tuple[float | None, float | None]:
    """From JFIF when it states a unit, else from Exif; never Pillow's own "dpi", which can be made up."""
    unit, density = info.get("jfif_unit", 0), info.get("jfif_density", (0, 0))
    if unit in (JFIF_INCH, JFIF_CENTIMETRE):
        factor = CM_PER_INCH if unit == JFIF_CENTIMETRE else 1.0
        return _positive(density[0] * factor), _positive(density[1] * factor)
    exif_unit = exif.get(RESOLUTION_UNIT, INCH)
    if exif_unit not in (INCH, CENTIMETRE):
        return None, None
    factor = CM_PER_INCH if exif_unit == CENTIMETRE else 1.0
    return _scaled(exif.get(X_RESOLUTION), factor), _scaled(exif.get(Y_RESOLUTION), factor)


def _scaled(value: Any, factor: float) -> float | None:
    try:
        return _positive(float(value) * factor)
    except (TypeError, ValueError, ZeroDivisionError):
        return None


def _positive(value: Any) -> float | None:
    return float(value) if value is not None and 0 < float(value) < math.inf else None
