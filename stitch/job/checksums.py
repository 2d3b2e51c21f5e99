"""`checksums.sha256`: one `sha256  name` line per scan and result, as common checksum tools read and write it.

Names are relative to the job folder with forward slashes. A name with a backslash or a line break is written the
way GNU coreutils does it (manual, "md5sum invocation"): the line starts with a backslash and the two are escaped.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from enum import StrEnum
from pathlib import Path

from stitch.errors import UsageError
from stitch.job.files import sha256_of

_LINE = re.compile(r"(\\?)([0-9a-fA-F]{64}) [ *](.+)", re.DOTALL)


class Status(StrEnum):
    """How a file stands against its checksum."""

    OK = "ok"
    CHANGED = "changed"
    MISSING = "missing"
    UNREADABLE = "unreadable"


def checksum_lines(entries: Iterable[tuple[str, str]]) -> str:
    """The text of the file from (name, sha256) pairs, in the order given, each name once."""
    return "".join(f"{_line(name, sha256)}\n" for name, sha256 in dict(entries).items())


def parse_checksums(text: str) -> list[tuple[str, str]]:
    """(name, sha256) pairs of the file's text; blank lines are passed over. Raises ValueError with the line."""
    found = []
    for number, line in enumerate(text.split("\n"), start=1):
        if not line.strip():
            continue
        match = _LINE.fullmatch(line.rstrip("\r"))
        if match is None:
            raise ValueError(f"line {number} is not a checksum and a name")
        escaped, sha256, name = match.groups()
        found.append((_unescaped(name) if escaped else name, sha256.lower()))
    return found


def verify(checksums: Path) -> list[tuple[str, Status]]:
    """Re-read every file named in `checksums` and compare. Raises UsageError when the list itself is unreadable."""
    try:
        entries = parse_checksums(checksums.read_text(encoding="utf-8", errors="surrogateescape"))
    except FileNotFoundError as error:
        raise UsageError(
            f"{checksums.parent} holds no {checksums.name}.", advice="Name a job folder that stitch join has finished."
        ) from error
    except (OSError, ValueError) as error:
        raise UsageError(
            f"{checksums} could not be read: {error}.", advice="Run stitch join on the job again."
        ) from error
    return [(name, _status(checksums.parent / name, sha256)) for name, sha256 in entries]


def _status(path: Path, sha256: str) -> Status:
    try:
        return Status.OK if sha256_of(path) == sha256 else Status.CHANGED
    except FileNotFoundError:
        return Status.MISSING
    except OSError:
        return Status.UNREADABLE


def _line(name: str, sha256: str) -> str:
    if "\\" in name or "\n" in name:
        escaped = name.replace("\\", "\\\\").replace("\n", "\\n")
        return f"\\{sha256}  {escaped}"
    return f"{sha256}  {name}"


def _unescaped(name: str) -> str:
    return re.sub(r"\\([\\n])", lambda match: "\n" if match[1] == "n" else "\\", name)
