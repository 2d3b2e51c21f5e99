"""A file is replaced whole or not at all: written under another name beside it, then renamed."""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from stitch.errors import WriteError, write_error

RENAME_TRIES = 4  # a virus scanner may hold a new file for a moment
RENAME_PAUSE_S = 0.25


def part_path(path: Path) -> Path:
    """The temporary name: `master.tif` is written as `master.part.tif`, so that the kind of file stays known."""
    return path.with_name(f"{path.stem}.part{path.suffix}")


@contextmanager
def write_whole(
    path: Path,
    *,
    before_rename: Callable[[Path], None] | None = None,
    rename: Callable[[Path, Path], None] = os.replace,
) -> Iterator[Path]:
    """Yield the temporary name to write to; when the body ends well, flush it to disk and rename it to `path`.

    The old file stays until the new one is whole. When the body fails or is interrupted the temporary file is
    removed. When the rename is refused (another program holds the old file open) the finished file is kept
    beside it under a free name, which the error says.

    before_rename : called with the temporary name when it is whole, just before the rename.
    rename : replaced in tests.

    Raises WriteError; an OSError of the body becomes one too. Other errors pass through.
    """
    part = part_path(path)
    try:
        yield part
        flush_to_disk(part)
        if before_rename is not None:
            before_rename(part)
        _put_in_place(part, path, rename)
        _flush_folder(path.parent)
    except OSError as error:
        raise write_error(path, error) from error
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)


def write_text_whole(path: Path, text: str) -> None:
    """Replace a UTF-8 text file whole (names that are not UTF-8 keep their bytes). Raises WriteError."""
    with write_whole(path) as part:
        part.write_text(text, encoding="utf-8", errors="surrogateescape", newline="\n")


def flush_to_disk(path: Path) -> None:
    """Wait until the file's bytes are on the disk. Raises OSError."""
    with path.open("r+b") as file:
        os.fsync(file.fileno())


def _put_in_place(part: Path, path: Path, rename: Callable[[Path, Path], None]) -> None:
    for attempt in range(RENAME_TRIES):
        try:
            rename(part, path)
            return
        except OSError as error:
            if attempt + 1 == RENAME_TRIES or not isinstance(error, PermissionError):
                raise _kept_beside(part, path) from error
            time.sleep(RENAME_PAUSE_S)


def _kept_beside(part: Path, path: Path) -> WriteError:
    kept = _free_name(path)
    part.rename(kept)
    return WriteError(
        f"The new {path.name} is finished, but the old one could not be replaced; "
        f"it is probably open in another program. The new file was kept as {kept}.",
        advice=f"Close the other program and run the same command again, or use {kept.name}.",
    )


def _free_name(path: Path) -> Path:
    number = 1
    while True:
        name = f"{path.stem}.new{'' if number == 1 else f'-{number}'}{path.suffix}"
        if not path.with_name(name).exists():
            return path.with_name(name)
        number += 1


def _flush_folder(folder: Path) -> None:
    if os.name == "nt":  # Windows has no handle for a folder
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError:  # some network drives refuse; the file itself is on the disk
        pass
    finally:
        os.close(handle)
