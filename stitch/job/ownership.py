"""Which files in a job folder the job may replace without asking: those it wrote and that are still as it left them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

from stitch.errors import WriteError
from stitch.job.files import Stamp, is_unchanged


def foreign_files(paths: Iterable[Path], root: Path, written: Mapping[str, tuple[Stamp, ...]]) -> list[Path]:
    """Those of `paths` that exist and that the job did not write, or that changed since.

    written : the stamps of what the job wrote, by name; more than one when it was stopped between two of them.
    """
    return [path for path in paths if _exists(path) and not _is_own(path, root, written)]


def require_own(
    paths: Iterable[Path], root: Path, written: Mapping[str, tuple[Stamp, ...]], *, force: bool = False
) -> None:
    """Raise WriteError naming the files that stand in the way, unless `force`. A folder in the way stops always."""
    foreign = foreign_files(paths, root, written)
    folders = [path for path in foreign if path.is_dir() and not path.is_symlink()]
    if folders:
        raise WriteError(
            f"{folders[0]} is a folder; a file of that name has to be written there.",
            advice="Rename it or choose another place with --out.",
        )
    if foreign and not force:
        names = ", ".join(path.name for path in foreign)
        was = "was" if len(foreign) == 1 else "were"
        raise WriteError(
            f"In {root}, {names} {was} not written by this job, or changed since.",
            advice="Move what you want to keep, choose another place with --out, or add --force to replace.",
        )


def _exists(path: Path) -> bool:
    return path.exists() or path.is_symlink()


def _is_own(path: Path, root: Path, written: Mapping[str, tuple[Stamp, ...]]) -> bool:
    if path.is_symlink() or path.is_dir():
        return False
    stamps = written.get(path.relative_to(root).as_posix(), ())
    return any(is_unchanged(stamp, root) for stamp in stamps)
