"""Is the file on the disk what was meant: its tags, its strips and every byte."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from pathlib import Path

import tifffile

from stitch.errors import WriteError
from stitch.master.layout import ROWS_PER_STRIP, Kind, strip_count
from stitch.master.tags import ARTIST, COPYRIGHT, PROFILE, XMP, TagTexts, as_stored, tags_as_text, tiff_date
from stitch.master.xmp import SOFTWARE
from stitch.model.geometry import Size

CHUNK_BYTES = 1 << 20
UNASSOCIATED_ALPHA = (2,)  # TIFF 6.0, ExtraSamples


@dataclass(frozen=True, slots=True)
class Written:
    """SHA-256 of what was handed to the disk: of the whole file, or of all behind a head that was filled in last."""

    sha256: str
    head: bytes = b""


@dataclass(frozen=True, slots=True)
class Expected:
    """What the file has to hold."""

    size: Size
    bits: tuple[int, ...]
    kind: Kind
    texts: TagTexts
    written: Written
    compression: int = 1  # TIFF tag 259: 1 none, 8 Deflate


@dataclass(frozen=True, slots=True)
class Found:
    """What was read."""

    sha256: str  # of the whole file
    byte_count: int
    tags: tuple[tuple[str, str], ...]


def read_back(path: Path, expected: Expected) -> Found:
    """Read the whole file from the disk and compare. Raises WriteError on any difference, OSError."""
    forget_cached(path)
    try:
        with tifffile.TiffFile(path) as tiff:
            page = tiff.pages.first
            wrong = _differences(tiff, page, expected)
            tags = tags_as_text(page)
    except (tifffile.TiffFileError, ValueError, KeyError, IndexError) as error:
        raise _not_as_written(path, [str(error)]) from error
    found, sha256 = _read_again(path, len(expected.written.head))
    if found != expected.written:
        wrong.append("bytes")
    if wrong:
        raise _not_as_written(path, wrong)
    return Found(sha256, path.stat().st_size, tags)


def _read_again(path: Path, head_count: int) -> tuple[Written, str]:
    """What is on the disk, to compare; and the SHA-256 of the whole file. One reading."""
    with path.open("rb", buffering=0) as file:
        if not head_count:
            sha256 = hashlib.file_digest(file, "sha256").hexdigest()
            return Written(sha256), sha256
        head = file.read(head_count)
        behind, whole = hashlib.sha256(), hashlib.sha256(head)
        view = memoryview(bytearray(CHUNK_BYTES))
        while count := file.readinto(view):
            behind.update(view[:count])
            whole.update(view[:count])
    return Written(behind.hexdigest(), head), whole.hexdigest()


def forget_cached(path: Path) -> None:
    """Let the system drop its copy in memory, where it can, so that the next read comes from the disk."""
    if not hasattr(os, "posix_fadvise"):
        return
    with path.open("rb") as file:
        os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


def _differences(tiff: tifffile.TiffFile, page: tifffile.TiffPage, expected: Expected) -> list[str]:
    """Names of what differs from what was meant."""
    texts = expected.texts
    ratio = (texts.ppi.numerator, texts.ppi.denominator)
    samples = len(expected.bits)
    meant = {
        "kind of TIFF": (43 if tiff.is_bigtiff else 42, expected.kind.value),
        "page count": (len(tiff.pages), 1),
        "ImageWidth": (_value(page, 256), expected.size.width_px),
        "ImageLength": (_value(page, 257), expected.size.height_px),
        "BitsPerSample": (_value(page, 258), expected.bits if samples > 1 else expected.bits[0]),
        "PhotometricInterpretation": (_value(page, 262), 2 if samples >= 3 else 1),
        "ExtraSamples": (_value(page, 338), UNASSOCIATED_ALPHA if samples == 4 else None),
        "PlanarConfiguration": (_value(page, 284) or 1, 1),
        "Compression": (_value(page, 259), expected.compression),
        "Software": (_value(page, 305), SOFTWARE),
        "Orientation": (_value(page, 274), 1),
        "SamplesPerPixel": (_value(page, 277), samples),
        "XResolution": (_value(page, 282), ratio),
        "YResolution": (_value(page, 283), ratio),
        "ResolutionUnit": (_value(page, 296), 2),
        "DateTime": (_value(page, 306), tiff_date(texts.written_at)),
        "ImageDescription": (_value(page, 270) or "", as_stored(texts.description)),
        "Artist": (_value(page, ARTIST) or "", as_stored(texts.artist)),
        "Copyright": (_value(page, COPYRIGHT) or "", as_stored(texts.copyright)),
        "ICC profile": (_value(page, PROFILE), texts.profile),
        "XMP": (_value(page, XMP), texts.xmp),
        "strips": (len(page.dataoffsets), strip_count(expected.size)),
        "RowsPerStrip": (_value(page, 278), min(ROWS_PER_STRIP, expected.size.height_px)),
    }
    return [name for name, (found, wanted) in meant.items() if found != wanted]


def _value(page: tifffile.TiffPage, number: int) -> object:
    return page.tags[number].value if number in page.tags else None


def _not_as_written(path: Path, wrong: list[str]) -> WriteError:
    return WriteError(
        f"{path.name} was written but reads back differently ({', '.join(wrong)}); it was not kept.",
        advice="The disk or its cable may be faulty. Choose another disk with --out and run the same command again.",
    )
