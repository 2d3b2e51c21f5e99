"""Everything that can stop a run, each with its exit code.

StitchError
├── UsageError      2   wrong arguments, or a memory budget nothing fits in
├── ScanError       3   the scans cannot be used
├── RegisterError   4   the scans could not be placed: unlinked, ambiguous, gaps
├── WriteError      5   disk, lock or write trouble
└── InternalFault  70   our own fault

An *expected* failure inside a room (a pair that does not match) is a value, not an exception.
"""

from __future__ import annotations

import errno
from collections.abc import Mapping
from pathlib import PurePath
from typing import TYPE_CHECKING

INTERRUPTED = 130  # exit code after Ctrl-C

if TYPE_CHECKING:  # the layout record brings numpy, which `stitch --help` does without
    from stitch.model.findings import Finding
    from stitch.model.layout import Affine, Link


class StitchError(Exception):
    """A stop, told to the painter in one line: what happened, where, what to try.

    Parameters
    ----------
    message : what happened, one sentence, naming the scan or file.
    advice : what to try next, one sentence; may be empty.
    scan_ids : names of the scans concerned.
    """

    exit_code = 70

    def __init__(self, message: str, *, advice: str = "", scan_ids: tuple[str, ...] = ()) -> None:
        super().__init__(message)
        self.message = message
        self.advice = advice
        self.scan_ids = scan_ids

    def __str__(self) -> str:
        return f"{self.message} {self.advice}".strip()


class UsageError(StitchError):
    """Wrong arguments."""

    exit_code = 2


class ScanError(StitchError):
    """Scans that cannot be used."""

    exit_code = 3


class RegisterError(StitchError):
    """Scans that could not be placed.

    `links` holds the links that were found all the same; `strays` the scans without which the others would go together;
    `places` roughly where the scans of the largest group lie: px of a common frame from scan px, 2×3.
    `findings` : what else was noticed of the scans concerned.
    `suspects` are two scans whose link is at fault, where a tie by hand can help; () where it cannot.
    """

    exit_code = 4

    def __init__(
        self,
        message: str,
        *,
        advice: str = "",
        scan_ids: tuple[str, ...] = (),
        links: tuple[Link, ...] = (),
        strays: tuple[str, ...] = (),
        suspects: tuple[str, ...] = (),
    ) -> None:
        super().__init__(message, advice=advice, scan_ids=scan_ids)
        self.links = links
        self.suspects = suspects
        self.strays = strays
        self.places: Mapping[str, Affine] = {}
        self.findings: tuple[Finding, ...] = ()


class WriteError(StitchError):
    """Disk, lock or write trouble."""

    exit_code = 5


class InternalFault(StitchError):
    """A fault of the program."""

    exit_code = 70


def write_error(path: PurePath, error: OSError) -> WriteError:
    """The plain words for an `OSError` met while writing `path`; raise it `from error`."""
    name, folder = path.name, path.parent
    elsewhere = "Choose another place with --out."
    if error.errno in (errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC)):
        return WriteError(
            f"The disk is full: {name} could not be written in {folder}.",
            advice="Free some space or choose another place with --out, then run the same command again.",
        )
    if error.errno == errno.EFBIG:
        return WriteError(f"The disk takes no file as large as {name} (in {folder}).", advice=elsewhere)
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return WriteError(f"{name} could not be written: no permission to write in {folder}.", advice=elsewhere)
    if error.errno == errno.ENAMETOOLONG:
        return WriteError(f"The name {name} is too long for this disk.", advice=elsewhere)
    return WriteError(f"{name} could not be written in {folder}: {error.strerror or error}.", advice=elsewhere)
