"""What each room has finished, so that a later run keeps what is still valid.

A room's fingerprint is the hash of its name, its version, its inputs and only the settings it reads. The
same fingerprint with every output untouched means that the room need not run again.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from stitch.job.files import Stamp, is_unchanged, stamp_of
from stitch.job.whole import write_text_whole
from stitch.model.codec import from_plain, to_plain
from stitch.model.findings import Finding, Severity

SCHEMA = 2


@dataclass(frozen=True, slots=True)
class RoomState:
    """One room that finished."""

    fingerprint: str
    outputs: tuple[Stamp, ...]
    finished_at: str  # ISO 8601 with offset
    seconds: float
    parts: dict[str, str]  # fingerprint of each thing that the whole one was made of, by name


@dataclass(frozen=True, slots=True)
class _Saved:
    schema: int
    rooms: dict[str, RoomState]


def fingerprint(room: str, version: int, inputs: Sequence[Any], settings: Mapping[str, Any]) -> str:
    """Hex SHA-256 of all that decides a room's result.

    inputs : fingerprints of earlier rooms, checksums of files, or records (see `model.codec`), in order.
    settings : only those the room reads.
    """
    plain = to_plain({"room": room, "version": version, "inputs": list(inputs), "settings": dict(settings)})
    text = json.dumps(plain, sort_keys=True, ensure_ascii=True, separators=(",", ":"))
    return hashlib.sha256(text.encode("ascii")).hexdigest()


class JobState:
    """The rooms finished so far, kept in one JSON file that is saved whole after each of them."""

    def __init__(self, path: Path, root: Path, rooms: Mapping[str, RoomState] | None = None) -> None:
        self._path = path
        self._root = root
        self._rooms = dict(rooms or {})

    @classmethod
    def load(cls, path: Path, root: Path) -> tuple[JobState, Finding | None]:
        """Read the file; a missing one starts afresh, an unreadable one too, and then a note says so."""
        if not path.exists():
            return cls(path, root), None
        try:
            saved = from_plain(_Saved, json.loads(path.read_text(encoding="utf-8", errors="surrogateescape")))
            if saved.schema == SCHEMA:
                return cls(path, root, saved.rooms), None
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            pass
        return cls(path, root), Finding(
            "state-afresh",
            Severity.NOTE,
            "The record of the earlier run could not be read, so every step is done again.",
        )

    def kept(self, room: str, fingerprint: str) -> bool:
        """True when the room finished with this fingerprint and all its outputs are untouched."""
        state = self._rooms.get(room)
        if state is None or state.fingerprint != fingerprint:
            return False
        return all(is_unchanged(stamp, self._root) for stamp in state.outputs)

    def parts(self, room: str) -> dict[str, str] | None:
        """What the fingerprint of a finished room was made of; None when it did not finish."""
        state = self._rooms.get(room)
        return None if state is None else state.parts

    def outputs(self, room: str) -> tuple[Path, ...]:
        """The files a finished room left, () when it did not finish."""
        state = self._rooms.get(room)
        return () if state is None else tuple(self._root / stamp.name for stamp in state.outputs)

    def record(
        self,
        room: str,
        fingerprint: str,
        outputs: Sequence[Path],
        *,
        seconds: float = 0.0,
        parts: Mapping[str, str] | None = None,
        known: Mapping[Path, Stamp] | None = None,
    ) -> None:
        """Note that a room finished and which files it left inside the job folder. Raises WriteError, OSError.

        `known` : stamps of files that were hashed while they were written.
        """
        stamps = tuple((known or {}).get(path) or stamp_of(path, self._root) for path in outputs)
        now = datetime.now().astimezone().isoformat(timespec="seconds")
        self._rooms[room] = RoomState(fingerprint, stamps, now, seconds, dict(parts or {}))
        self._save()

    def forget(self, room: str) -> None:
        """Drop a room, so that it is done again."""
        if self._rooms.pop(room, None) is not None:
            self._save()

    def _save(self) -> None:
        text = json.dumps(to_plain(_Saved(SCHEMA, self._rooms)), indent=1, ensure_ascii=False)
        write_text_whole(self._path, text + "\n")
