"""What a check noticed, with the advice that goes with it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Severity(StrEnum):
    """How much a finding matters."""

    NOTE = "note"  # worth knowing; said in the report
    WARNING = "warning"  # the master may be less good than it could be
    FAILED = "failed"  # a check failed: the run ends with exit code 1
    STOP = "stop"  # no right result is possible: the run stops


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing noticed.

    `code` is a stable lower-case-with-hyphens word for report.json; `message` one plain sentence naming
    scans; `advice` one plain sentence on what to try ("" when nothing need be done).
    """

    code: str
    severity: Severity
    message: str
    advice: str = ""
    scan_ids: tuple[str, ...] = ()
