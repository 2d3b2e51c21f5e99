"""`job.json`: what was asked, which scans, and what the job wrote. Paths in it are relative to the job folder."""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from stitch import __version__
from stitch.job.files import Stamp, relative_name
from stitch.job.whole import write_text_whole
from stitch.model.codec import from_plain, to_plain
from stitch.model.settings import JoinSettings

KIND = "stitch job"
SCHEMA = 1


@dataclass(frozen=True, slots=True)
class JobScan:
    """One file of scans, known again by its checksum wherever it lies."""

    path: str
    sha256: str
    byte_count: int


@dataclass(frozen=True, slots=True)
class JobRecord:
    """The content of `job.json`.

    `written` holds, by name, the stamps of the results the job wrote: two for one name when a run was stopped
    between writing a file and putting it in place.
    """

    kind: str = KIND
    schema: int = SCHEMA
    tool_version: str = __version__
    settings: JoinSettings = field(default_factory=JoinSettings)
    only: tuple[str, ...] = ()
    skip: tuple[str, ...] = ()
    recurse: bool = False
    scans: tuple[JobScan, ...] = ()
    flat: JobScan | None = None  # the scan of a white sheet
    written: dict[str, tuple[Stamp, ...]] = field(default_factory=dict)


def load_record(path: Path, root: Path) -> JobRecord | None:
    """Read `job.json`; None when there is none or it is not one of ours. Paths in settings come back absolute."""
    try:
        plain = json.loads(path.read_text(encoding="utf-8", errors="surrogateescape"))
        if plain["kind"] != KIND or plain["schema"] != SCHEMA:
            return None
        record = from_plain(JobRecord, {"flat": None, **plain, "settings": _known_settings(plain["settings"])})
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None
    return replace(record, settings=_with_paths(record.settings, _absolute, root))


def save_record(record: JobRecord, path: Path, root: Path) -> None:
    """Write `job.json` whole. Raises WriteError."""
    stored = replace(record, settings=_with_paths(record.settings, _relative, root))
    write_text_whole(path, json.dumps(to_plain(stored), indent=1, ensure_ascii=False) + "\n")


def _known_settings(plain: dict[str, Any]) -> dict[str, Any]:
    """Settings of another version: those we know, and defaults for those it did not."""
    defaults = to_plain(JoinSettings())
    return {name: plain.get(name, default) for name, default in defaults.items()}


def _with_paths(settings: JoinSettings, turned: Any, root: Path) -> JoinSettings:
    paths = {name: getattr(settings, name) for name in ("profile_path", "scanner_path", "flat_path", "plan_path")}
    return replace(settings, **{name: turned(path, root) for name, path in paths.items() if path})


def _absolute(name: str, root: Path) -> str:
    return str((root / name).resolve())


def _relative(name: str, root: Path) -> str:
    return relative_name(Path(name).resolve(), root)
