"""What the job's last run found out: where scans lie, which are linked, and what it said when it stopped."""

from __future__ import annotations

import json
from collections.abc import Collection
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

Affine = tuple[tuple[float, float, float], tuple[float, float, float]]


@dataclass(frozen=True, slots=True)
class FoundLink:
    """Two scans the last run linked by itself; `turn_deg` is how far b is turned against a."""

    scan_a: str
    scan_b: str
    turn_deg: int
    is_weak: bool
    reason: str


@dataclass(frozen=True, slots=True)
class LastRun:
    """The last run, as far as its report tells. Scans that are not in the job any more are left out."""

    places: dict[str, Affine] = field(default_factory=dict)  # px of one common frame from scan px
    links: tuple[FoundLink, ...] = ()
    stopped: tuple[str, str] | None = None  # what was wrong, and the advice; None when the scans were placed


def read_last_run(report: Path, names: Collection[str]) -> LastRun:
    """Read the last run's report.json. Nothing is known when there is none, or it cannot be read."""
    try:
        plain = json.loads(report.read_text(encoding="utf-8"))
        return LastRun(_places(plain, names), _links(plain, names), _stopped(plain))
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return LastRun()


def _places(plain: dict[str, Any], names: Collection[str]) -> dict[str, Affine]:
    if plain["layout"] is None:
        found = plain.get("places_found", {})
    else:
        found = {one["scan_id"]: one["canvas_from_scan"] for one in plain["layout"]["placements"]}
    return {name: _affine(rows) for name, rows in found.items() if name in names}


def _affine(rows: list[list[float]]) -> Affine:
    (a, b, c), (d, e, f) = rows
    return (float(a), float(b), float(c)), (float(d), float(e), float(f))


def _links(plain: dict[str, Any], names: Collection[str]) -> tuple[FoundLink, ...]:
    return tuple(
        FoundLink(one["scan_a"], one["scan_b"], int(one["turn_deg"]), bool(one["is_weak"]), str(one["reason"]))
        for one in plain["links"]
        if one["scan_a"] in names and one["scan_b"] in names
    )


def _stopped(plain: dict[str, Any]) -> tuple[str, str] | None:
    stops = [finding for finding in plain["findings"] if finding["severity"] == "stop"]
    return (str(stops[-1]["message"]), str(stops[-1]["advice"])) if stops else None
