"""Opening the stored pixels of a file in the way that suits it.

- Uncompressed TIFF: its own strips or tiles, by position.
- Compressed TIFF: its own strips or tiles, decoded one by one and kept while there is room; or a working copy, where
  one was made because the scan is read again and again.
- Compressed TIFF whose strips or tiles are too large for that (or that lies turned by 90°), PNG, JPEG: decoded once to
  a raw working copy in the scratch folder, which is then read by position.
"""

from __future__ import annotations

import shutil
from pathlib import Path

from stitch.scans.facts import FileFormat, PageFacts, TiffPage
from stitch.scans.orientation import is_bottom_up, swaps_axes
from stitch.scans.picture_header import read_jpeg, read_png
from stitch.scans.positioned import PositionedFile
from stitch.scans.segments import DecodedPixels, RawPixels, StoredPixels
from stitch.scans.tiff_header import read_pages
from stitch.scans.trouble import reading, unusable
from stitch.scans.working_copy import copy_byte_count, has_working_copy, open_working_copy

CACHE_BYTES = 32 << 20  # decoded strips or tiles kept per open scan
PLENTY = 100  # times a copy: room for the rest of a large set and its master

Page = TiffPage | PageFacts

MAGIC = {
    b"II*\0": FileFormat.TIFF,
    b"MM\0*": FileFormat.TIFF,
    b"II+\0": FileFormat.TIFF,
    b"MM\0+": FileFormat.TIFF,
    b"\x89PNG": FileFormat.PNG,
    b"\xff\xd8\xff": FileFormat.JPEG,
}


def headers(path: Path) -> tuple[Page, ...]:
    """Every full page of a file. Raises ScanError."""
    file_format = identify(path)
    if file_format is FileFormat.TIFF:
        return read_pages(path)
    return (read_png(path) if file_format is FileFormat.PNG else read_jpeg(path),)


def header(path: Path, page_index: int) -> Page:
    """One full page of a file. Raises ScanError."""
    for page in headers(path):
        if facts_of(page).page_index == page_index:
            return page
    raise unusable(path, f"has no page {page_index + 1}")


def facts_of(page: Page) -> PageFacts:
    """The facts of a page of any format."""
    return page.facts if isinstance(page, TiffPage) else page


def identify(path: Path) -> FileFormat:
    """The format by the first bytes; the name's ending is not asked. Raises ScanError."""
    with reading(path), path.open("rb") as file:
        head = file.read(4)
    if not head:
        raise unusable(path, "is empty (0 bytes)", "Copy it again from where it was scanned, or scan it again.")
    for magic, file_format in MAGIC.items():
        if head.startswith(magic):
            return file_format
    raise unusable(path, "is not a TIFF, PNG or JPEG picture, whatever its name says")


def open_stored(
    path: Path,
    page: Page,
    sha256: str,
    *,
    scratch: Path,
    cache_bytes: int = CACHE_BYTES,
    is_read_often: bool = False,
) -> StoredPixels:
    """The pixels of a page as stored, read the way that suits the file. Raises ScanError or WriteError.

    `is_read_often` : several times from end to end, so that packed strips or tiles are better unpacked once for all,
    where the disk has plenty of room.
    """
    if not isinstance(page, TiffPage) or _needs_copy(page, cache_bytes):
        return open_working_copy(path, page, sha256, scratch)
    if page.decode is not None and (
        has_working_copy(page, sha256, scratch) or (is_read_often and _has_plenty_of_room(page, scratch))
    ):
        return open_working_copy(path, page, sha256, scratch)
    with reading(path):
        file = PositionedFile(path)
    if page.decode is None:
        return RawPixels(file, page.grid, page.offsets)
    return DecodedPixels(
        file,
        page.grid,
        page.offsets,
        page.byte_counts,
        page.decode,
        cache_bytes=cache_bytes,
        bottom_up=is_bottom_up(page.facts.orientation),
    )


def _has_plenty_of_room(page: TiffPage, scratch: Path) -> bool:
    """Whether copies of all scans of a job and its master fit on the disk, to judge by one of them."""
    place = next(folder for folder in (scratch, *scratch.parents) if folder.exists())
    return shutil.disk_usage(place).free > PLENTY * copy_byte_count(page)


def _needs_copy(page: TiffPage, cache_bytes: int) -> bool:
    """Whether reading band by band would decode the same strips or tiles again and again."""
    if page.decode is None:
        return False
    if swaps_axes(page.facts.orientation):
        return page.facts.byte_count > cache_bytes
    return 2 * page.grid.band_byte_count() > cache_bytes
