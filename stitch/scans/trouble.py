"""Turning the troubles of files and decoders into sentences for a painter."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import imagecodecs
from tifffile import TiffFileError

from stitch.errors import ScanError
from stitch.scans.naming import shown

SAVE_AGAIN = "Scan it again, or save it again as a TIFF with 8 or 16 bits per channel in RGB."

DECODE_ERRORS: tuple[type[Exception], ...] = (
    TiffFileError,
    ValueError,
    TypeError,
    LookupError,
    AttributeError,
    ArithmeticError,
    EOFError,
    SyntaxError,
    RuntimeError,
    AssertionError,
    struct.error,
    zlib.error,
    imagecodecs.DelayedImportError,
)
"""What the decoding libraries raise for damaged or unexpected data."""


def unusable(path: Path, why: str, advice: str = SAVE_AGAIN) -> ScanError:
    """The error for a file that cannot be used: "<file name> <why>." plus advice."""
    name = shown(path.name)
    return ScanError(f"{name} {why}.", advice=advice, scan_ids=(name,))


def unreadable(path: Path, error: OSError) -> ScanError:
    """The error for a file that the system will not hand over."""
    if isinstance(error, PermissionError):
        return unusable(
            path,
            "cannot be opened: this account may not read it",
            "Change the file's permissions, or copy it elsewhere.",
        )
    if isinstance(error, FileNotFoundError):
        return unusable(path, "is not there", "Check the name and the folder.")
    if isinstance(error, IsADirectoryError):
        return unusable(path, "is a folder, not a picture", "Give the scans, or the folder that holds them.")
    reason = error.strerror or str(error)
    return unusable(path, f"cannot be read ({reason})", "Check the disk or the network, then try again.")


@contextmanager
def reading(path: Path) -> Iterator[None]:
    """Translate whatever goes wrong while reading or decoding `path` into a ScanError that names it."""
    try:
        yield
    except OSError as error:
        raise unreadable(path, error) from error
    except MemoryError as error:
        raise unusable(path, "needs more memory than there is") from error
    except DECODE_ERRORS as error:
        reason = " ".join(str(error).split())[:160] or type(error).__name__
        raise unusable(path, f"is damaged or cut short ({reason})") from error
