"""What identifies a file: its SHA-256, and the cheap facts by which an unchanged one is known again."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Stamp:
    """A file as it was when written: name relative to the job folder, with forward slashes.

    The times are in nanoseconds as the system gives them; they only save re-reading a file whose size and
    times are all unchanged. Any difference leads to the SHA-256, which decides.
    """

    name: str
    sha256: str
    byte_count: int
    modified_ns: int
    changed_ns: int


def sha256_of(path: Path) -> str:
    """SHA-256 of a file's bytes, lower-case hex. Raises OSError."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def stamp_of(path: Path, root: Path, *, sha256: str | None = None) -> Stamp:
    """The stamp of `path`, hashing it unless `sha256` is already known. Raises OSError."""
    digest = sha256_of(path) if sha256 is None else sha256
    facts = path.stat()
    name = path.relative_to(root).as_posix()
    return Stamp(name, digest, facts.st_size, facts.st_mtime_ns, facts.st_ctime_ns)


def is_unchanged(stamp: Stamp, root: Path) -> bool:
    """True when the file under `root` still holds the bytes that were stamped; False when gone or changed."""
    path = root / stamp.name
    try:
        facts = path.stat()
        if facts.st_size != stamp.byte_count:
            return False
        return is_untouched(stamp, root) or sha256_of(path) == stamp.sha256
    except OSError:
        return False


def is_untouched(stamp: Stamp, root: Path) -> bool:
    """True when size and times of the file under `root` are those that were stamped. Raises OSError."""
    facts = (root / stamp.name).stat()
    return (facts.st_size, facts.st_mtime_ns, facts.st_ctime_ns) == (
        stamp.byte_count,
        stamp.modified_ns,
        stamp.changed_ns,
    )


def relative_name(path: Path, root: Path) -> str:
    """`path` as seen from `root`, with forward slashes; absolute when they share no drive (Windows)."""
    try:
        return Path(os.path.relpath(path, root)).as_posix()
    except ValueError:
        return path.resolve().as_posix()
