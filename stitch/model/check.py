"""What a check of scans found; `check.json` is this record."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from stitch.model.bed import GlassSpeck
from stitch.model.findings import Finding

KIND = "stitch check"
SCHEMA = 1


class Verdict(StrEnum):
    """Whether the painting may be put away."""

    GOOD = "good"
    AGAIN = "scan-again"


@dataclass(frozen=True, slots=True)
class CheckedScan:
    """One scan. Places are in mm of an upright frame from the top left of all that was placed."""

    scan_id: str
    file_name: str
    place: str  # its place in the plan; "" without one
    width_mm: float
    height_mm: float
    ppi: float
    bits: int
    is_placed: bool
    corners_mm: tuple[tuple[float, float], ...] = ()  # clockwise from its own top left; () when it was not placed
    turn_deg: int = 0  # how it lay against most others, clockwise
    skew_deg: float = 0.0  # beyond that, clockwise
    light: float | None = None  # factor against most scans; None where it shares too little
    detail: float | None = None  # contrast of fine detail against most scans
    clipped_low: tuple[float, float, float] = (0.0, 0.0, 0.0)  # share of the paint's pixels, by channel
    clipped_high: tuple[float, float, float] = (0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class SharedStrip:
    """What two neighbours share."""

    scan_a: str
    scan_b: str
    width_mm: float
    is_thin: bool


@dataclass(frozen=True, slots=True)
class CheckRecord:
    """The whole check."""

    tool_version: str
    verdict: Verdict
    scan_again: tuple[str, ...]  # names of scans to make again
    missing: tuple[str, ...]  # places that no scan covers
    findings: tuple[Finding, ...]
    scans: tuple[CheckedScan, ...]
    shared: tuple[SharedStrip, ...]
    glass: tuple[GlassSpeck, ...]
    plan: str = ""  # the plan's heading or file name; "" without one
    name: str = ""  # of the folder of scans
    checked_at: str = ""  # ISO date and time
    kind: str = KIND
    schema: int = SCHEMA
