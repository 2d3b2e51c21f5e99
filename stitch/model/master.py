"""What a master is to be, and what was written."""

from __future__ import annotations

from dataclasses import dataclass

from stitch.model.geometry import Size
from stitch.model.settings import Compression


@dataclass(frozen=True, slots=True)
class MasterSpec:
    """Everything the writer needs besides pixels."""

    size: Size
    bits: int  # 8 or 16
    ppi: float
    profile: bytes | None
    title: str
    creator: str
    rights: str
    history: tuple[str, ...]  # what was done to the pixels, one plain sentence each
    ingredients: tuple[tuple[str, str], ...]  # (scan file name, sha256)
    compression: Compression = Compression.NONE


@dataclass(frozen=True, slots=True)
class Event:
    """One thing done to a picture, as its record has it."""

    action: str
    when: str  # ISO 8601
    agent: str
    told: str


@dataclass(frozen=True, slots=True)
class DerivedSpec(MasterSpec):
    """A picture made from a master: `history` is what was done now, `earlier` what its record held before."""

    earlier: tuple[Event, ...] = ()
    made_from: tuple[str, str] = ("", "")  # file name, sha256
    steps: tuple[tuple[str, str], ...] = ()  # all steps since the master: name, settings and transform as JSON


@dataclass(frozen=True, slots=True)
class MasterRecord:
    """A master that was written, read back and found right."""

    file_name: str  # inside the job folder
    sha256: str
    byte_count: int
    is_bigtiff: bool
    tags: tuple[tuple[str, str], ...]  # tag name, value as read back
