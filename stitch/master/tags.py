"""The tags of our TIFF files: what is handed to the TIFF library, and what is read back as text.

Numbers and rules from TIFF 6.0 (Aldus, 3 June 1992), part 1; ICC profile 34675 from ICC.1 annex B, XMP 700 from
the XMP specification part 3. Texts are stored as UTF-8; TIFF 6.0 knows only 7-bit ASCII, and the XMP packet holds
the same texts beyond doubt.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from typing import Any

import tifffile

from stitch.master.xmp import SOFTWARE

ORIENTATION, DATE_TIME, ARTIST, XMP, COPYRIGHT, PROFILE = 274, 306, 315, 700, 33432, 34675
_SHORT, _ASCII, _BYTE = 3, 2, 1
_ENUMERATED = (259, 262, 274, 284, 296, 339)
_SHOWN = (256, 257, 258, 259, 262, 270, 274, 277, 278, 282, 283, 284, 296, 305, 306, 315, 339, 700, 33432, 34675)


@dataclass(frozen=True, slots=True)
class TagTexts:
    """The tags both of our TIFF files carry; "" and None leave a tag out."""

    ppi: Fraction
    written_at: datetime
    description: str = ""
    artist: str = ""
    copyright: str = ""
    profile: bytes | None = None
    xmp: bytes | None = None

    @property
    def long_bytes(self) -> int:
        """Bytes of the texts, the profile and the packet."""
        texts = sum(len(_encoded(text)) + 1 for text in (self.description, self.artist, self.copyright))
        return texts + len(self.profile or b"") + len(self.xmp or b"")


def write_arguments(texts: TagTexts) -> dict[str, Any]:
    """Keyword arguments for `tifffile.TiffWriter.write`."""
    ratio = (texts.ppi.numerator, texts.ppi.denominator)
    more = [(ORIENTATION, _SHORT, 1, 1, True)]
    for number, text in ((ARTIST, texts.artist), (COPYRIGHT, texts.copyright)):
        if text:
            more.append((number, _ASCII, 0, _encoded(text), True))  # type: ignore[arg-type]
    if texts.xmp:
        more.append((XMP, _BYTE, len(texts.xmp), texts.xmp, True))  # type: ignore[arg-type]
    return {
        "resolution": (ratio, ratio),
        "resolutionunit": "INCH",
        "software": SOFTWARE,
        "datetime": tiff_date(texts.written_at),
        "description": _encoded(texts.description) if texts.description else None,
        "iccprofile": texts.profile,
        "metadata": None,
        "extratags": more,
    }


def tiff_date(moment: datetime) -> str:
    """`YYYY:MM:DD HH:MM:SS`; with its final NUL 20 bytes (TIFF 6.0, DateTime)."""
    return moment.strftime("%Y:%m:%d %H:%M:%S")


def tags_as_text(page: tifffile.TiffPage) -> tuple[tuple[str, str], ...]:
    """(name, value) of the tags worth showing, as they stand in the file."""
    return tuple((page.tags[n].name, _as_text(n, page.tags[n].value)) for n in _SHOWN if n in page.tags)


def _as_text(number: int, value: Any) -> str:
    if number in (282, 283):
        return f"{value[0]}/{value[1]}"
    if isinstance(value, bytes):
        return f"{len(value)} bytes, sha256 {hashlib.sha256(value).hexdigest()}"
    if number in _ENUMERATED and hasattr(value, "name"):
        return f"{int(value)} ({value.name.lower()})"
    if isinstance(value, tuple):
        return " ".join(str(int(item)) for item in value)
    return str(value)


def as_stored(text: str) -> str:
    """A text as a reader finds it again: without NUL and without what is no character."""
    return _encoded(text).decode("utf-8")


def _encoded(text: str) -> bytes:
    return text.replace("\0", "").encode("utf-8", "replace")
