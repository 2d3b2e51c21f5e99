"""Finding the scans: in folders, or as files given by name."""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path

from stitch.errors import ScanError
from stitch.model.findings import Finding, Severity
from stitch.scans.copies import edited_copies
from stitch.scans.naming import natural_key, shown
from stitch.scans.sources import headers
from stitch.scans.trouble import unreadable
from stitch.scans.wording import listed, plural

ENDINGS = frozenset({".tif", ".tiff", ".png", ".jpg", ".jpeg"})
OTHER_PICTURES = frozenset({".bmp", ".dng", ".gif", ".heic", ".jp2", ".jxl", ".pdf", ".psb", ".psd", ".webp"})
THUMBNAIL = re.compile(r"(^|[\W_])(thumb|thumbs|thumbnail|thumbnails|preview|previews)([\W_\d]|$)")
RESULT_MARK = "checksums.sha256"  # a folder that holds this is a finished job, not a folder of scans


@dataclass(frozen=True, slots=True)
class Collected:
    """The files to look at, in natural order of their names, and what was noticed while collecting."""

    files: tuple[Path, ...]
    findings: tuple[Finding, ...]


def collect(
    inputs: Sequence[Path],
    *,
    only: Sequence[str] = (),
    skip: Sequence[str] = (),
    recurse: bool = False,
    may_be_few: bool = False,
) -> Collected:
    """Find the scans among `inputs`, which are folders and files.

    A folder gives its TIFF, PNG and JPEG files without hidden ones and thumbnails, and those of its sub-folders when
    `recurse`; a file given by name is taken as it is. `only` and `skip` are shell patterns for file names, without
    regard to case. Edited copies beside their raw scans are a finding that stops the run, unless every file was given
    by name. `may_be_few` : one scan, or none, will do.

    Raises ScanError when an input is not there or cannot be read, and when fewer than two scans are left.
    """
    folders = [path.absolute() for path in inputs if _is_folder(path)]
    named = [path.absolute() for path in inputs if not _is_folder(path)]
    listed_files = [file for folder in folders for file in _files_below(folder, recurse=recurse)]
    pictures, findings = _without_thumbnails([file for file in listed_files if _ending(file) in ENDINGS])
    files = _unique([*named, *pictures])
    chosen = sorted((file for file in files if _is_wanted(file, only, skip)), key=natural_key)
    findings += _unused_patterns(files, skip, "--skip") + _unused_patterns(files, only, "--only")
    findings += _other_pictures([file for file in listed_files if _is_wanted(file, only, skip)])
    if any(file not in named for file in chosen):
        findings += edited_copies(chosen)
    if not may_be_few:
        _check_count(inputs, chosen, files, recurse=recurse)
    return Collected(tuple(chosen), tuple(findings))


def _is_folder(path: Path) -> bool:
    """Raises ScanError when nothing is there, or nobody may look."""
    try:
        return stat.S_ISDIR(path.stat().st_mode)
    except OSError as error:
        raise unreadable(path, error) from error


def _files_below(folder: Path, *, recurse: bool) -> Iterator[Path]:
    """Files of a folder that are not hidden. Raises ScanError when the folder cannot be listed."""
    try:
        with os.scandir(folder) as found:
            entries = sorted((Path(entry.path), entry.is_dir()) for entry in found if not entry.name.startswith("."))
    except OSError as error:
        raise unreadable(folder, error) from error
    for path, is_folder in entries:
        if not is_folder:
            yield path
        elif recurse and not (path / RESULT_MARK).exists():
            yield from _files_below(path, recurse=True)


def _ending(path: Path) -> str:
    return path.suffix.casefold()


def _without_thumbnails(files: list[Path]) -> tuple[list[Path], list[Finding]]:
    """Leave out thumbnails by name, unless all files of their folder are called so."""
    small = [file for file in files if THUMBNAIL.search(shown(file.stem).casefold())]
    real_folders = {file.parent for file in files if file not in small}
    left_out = [file for file in small if file.parent in real_folders]
    if not left_out:
        return files, []
    message = f"{_names(left_out)} {plural(left_out, 'was', 'were')} left out: a small preview, by the name."
    note = Finding("thumbnails-ignored", Severity.NOTE, message, scan_ids=tuple(shown(f.name) for f in left_out))
    return [file for file in files if file not in left_out], [note]


def _unique(files: Sequence[Path]) -> list[Path]:
    """Each file once, even when it was given twice or by a link."""
    seen: dict[Path, Path] = {}
    for file in files:
        seen.setdefault(file.resolve(), file)
    return list(seen.values())


def _is_wanted(file: Path, only: Sequence[str], skip: Sequence[str]) -> bool:
    return (not only or any(_fits(file, pattern) for pattern in only)) and not any(_fits(file, p) for p in skip)


def _fits(file: Path, pattern: str) -> bool:
    name = shown(file.name).casefold()
    wanted = shown(pattern).casefold()
    return name == wanted or fnmatchcase(name, wanted)


def _unused_patterns(files: Sequence[Path], patterns: Sequence[str], option: str) -> list[Finding]:
    unused = [pattern for pattern in patterns if not any(_fits(file, pattern) for file in files)]
    return [
        Finding(
            "pattern-unused",
            Severity.WARNING,
            f"{option} “{pattern}” fits no file.",
            "Check the spelling; * stands for any letters, and the pattern is put in quotes.",
        )
        for pattern in unused
    ]


def _other_pictures(files: Sequence[Path]) -> list[Finding]:
    others = [file for file in files if _ending(file) in OTHER_PICTURES]
    if not others:
        return []
    message = f"{_names(others)} {plural(others, 'was', 'were')} not looked at: only TIFF, PNG and JPEG are read."
    return [Finding("other-pictures", Severity.NOTE, message, scan_ids=tuple(shown(file.name) for file in others))]


def _names(files: Sequence[Path]) -> str:
    return listed([shown(file.name) for file in files])


def _check_count(inputs: Sequence[Path], chosen: Sequence[Path], files: Sequence[Path], *, recurse: bool) -> None:
    if len(chosen) > 1 or (len(chosen) == 1 and len(headers(chosen[0])) > 1):
        return
    where = listed([shown(path.name or str(path.absolute())) for path in inputs]) if inputs else "nothing"
    if chosen:
        name = shown(chosen[0].name)
        place = f" in {where}" if _is_folder(inputs[0]) else ""
        left_out = len(files) - len(chosen)
        others = f" {left_out} {'other was' if left_out == 1 else 'others were'} left out by --only or --skip."
        raise ScanError(
            f"{name} is the only scan{place}: there is nothing to join it with.{others if left_out else ''}",
            advice="Give at least two scans that overlap.",
            scan_ids=(name,),
        )
    raise ScanError(f"There are no scans in {where}.", advice=_advice_when_none(inputs, files, recurse=recurse))


def _advice_when_none(inputs: Sequence[Path], files: Sequence[Path], *, recurse: bool) -> str:
    if files:
        return f"{len(files)} files were left out by --only or --skip."
    folders = [path for path in inputs if _is_folder(path)]
    if not recurse and any(_ending(file) in ENDINGS for path in folders for file in _files_below(path, recurse=True)):
        return "There are some in its sub-folders: add --recurse."
    return "Give the folder that holds the scans (TIFF, PNG or JPEG)."
