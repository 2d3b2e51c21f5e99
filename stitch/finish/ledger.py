"""What was made by which settings, so that only what changed is made again."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

VERSION = 1


@dataclass(frozen=True, slots=True)
class FileMark:
    """A file as it was when made; its name is relative to the folder of results, with forward slashes."""

    name: str
    sha256: str
    byte_count: int


@dataclass(frozen=True, slots=True)
class Entry:
    """One part of a step: the fingerprint of all it was made from, its files, the first one to go on from."""

    fingerprint: str
    made_with: str
    files: tuple[FileMark, ...]


@dataclass(slots=True)
class Ledger:
    """Entries by step and part."""

    entries: dict[str, Entry] = field(default_factory=dict)

    def text(self) -> str:
        """As JSON."""
        plain = {key: dataclasses.asdict(entry) for key, entry in self.entries.items()}
        return json.dumps({"version": VERSION, "made": plain}, indent=1, ensure_ascii=False, sort_keys=True) + "\n"

    def mark_named(self, name: str) -> FileMark | None:
        """The mark of a file, whichever step made it."""
        marks = (mark for entry in self.entries.values() for mark in entry.files)
        return next((mark for mark in marks if mark.name == name), None)


def read_ledger(text: str) -> Ledger:
    """The ledger of a text; an empty one of anything else."""
    try:
        plain = json.loads(text)
        if plain["version"] != VERSION:
            return Ledger()
        return Ledger({key: _entry(entry) for key, entry in plain["made"].items()})
    except (ValueError, KeyError, TypeError, AttributeError):
        return Ledger()


def fingerprint(step: str, version: int, settings: Mapping[str, Any], input_sha256: str) -> str:
    """SHA-256 over all that a part of a step is made from."""
    plain = json.dumps([step, version, settings, input_sha256], sort_keys=True, ensure_ascii=False, default=str)
    return hashlib.sha256(plain.encode("utf-8")).hexdigest()


def _entry(plain: Mapping[str, Any]) -> Entry:
    files = tuple(FileMark(str(f["name"]), str(f["sha256"]), int(f["byte_count"])) for f in plain["files"])
    return Entry(str(plain["fingerprint"]), str(plain["made_with"]), files)
