"""Everything the report says, gathered by the pipeline; fields are None when the run stopped before them."""

from __future__ import annotations

from dataclasses import dataclass, field

from stitch.model.findings import Finding
from stitch.model.layout import Affine, Layout, Link
from stitch.model.master import MasterRecord, MasterSpec
from stitch.model.scans import Scan
from stitch.model.seams import SeamLine
from stitch.model.settings import JoinSettings
from stitch.model.size import SizeCheck
from stitch.model.tone import ToneFit


@dataclass(frozen=True, slots=True)
class Timing:
    """What one room took; None where the system does not tell."""

    room: str
    seconds: float
    is_kept: bool  # True when an earlier run's result was kept
    cpu_s: float | None = None  # of all cores together
    read_bytes: int | None = None  # asked of the system, whether they came from the disk or from its cache
    written_bytes: int | None = None


@dataclass(frozen=True, slots=True)
class RunSummary:
    """One run of `join`, for the page and for report.json."""

    tool_version: str
    started_at: str  # ISO 8601 with offset
    job_name: str
    settings: JoinSettings
    scans: tuple[Scan, ...]
    sha256_after: tuple[tuple[str, str], ...]  # (scan_id, sha256 of its file after the run)
    findings: tuple[Finding, ...]
    layout: Layout | None
    tone: ToneFit | None
    seams: tuple[SeamLine, ...] | None
    size_check: SizeCheck | None
    master_spec: MasterSpec | None
    master: MasterRecord | None
    next_command: str  # what to type next, "" when nothing is needed
    timings: tuple[Timing, ...]
    exit_code: int
    links_found: tuple[Link, ...] = ()  # when the scans could not all be placed: the links there are
    places_found: dict[str, Affine] = field(default_factory=dict)  # and roughly where those that hang together lie
