"""Turning the troubles of files and decoders into sentences for a painter."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tifffile import TiffFileError

from stitch.errors import ScanError
from stitch.scans.naming import shown

SAVE_AGAIN = "Scan it again, or save it again as a TIFF with 8 or 16 bits per channel in RGB."

DECODE_ERRORS = (TiffFileError, ValueError, EOFError, RuntimeError, struct.error, zlib.error)
"""What zlib, imagecodecs, tifffile and this room raise for damaged pixels."""

HEADER_ERRORS = (*DECODE_ERRORS, SyntaxError, TypeError, LookupError, AttributeError, ArithmeticError, AssertionError)
"""What tifffile and Pillow have been seen to raise for damaged headers."""


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
    """Translate whatever goes wrong while reading or decoding the pixels of `path` into a ScanError that names it."""
    with _translating(path, DECODE_ERRORS):
        yield


@contextmanager
def reading_header(path: Path) -> Iterator[None]:
    """The same for headers, which libraries take apart."""
    with _translating(path, HEADER_ERRORS):
        yield


@contextmanager
def _translating(path: Path, errors: tuple[type[Exception], ...]) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        if error.errno is None:  # raised by a library about the data, not by the system
            raise _damaged(path, error) from error
        raise unreadable(path, error) from error
    except MemoryError as error:
        raise unusable(path, "needs more memory than there is") from error
    except errors as error:
        raise _damaged(path, error) from error


def _damaged(path: Path, error: Exception) -> ScanError:
    reason = " ".join(str(error).split())[:160] or type(error).__name__
    return unusable(path, f"is damaged or cut short ({reason})")
