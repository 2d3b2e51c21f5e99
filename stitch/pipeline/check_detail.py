"""What is to be said of fine detail: soft scans and edges, sharpened scans."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from stitch.check.compare import Shared
from stitch.check.focus import SoftEdge, sharpened_scans, soft_edges, soft_scans
from stitch.model.findings import Finding, Severity
from stitch.model.geometry import Size
from stitch.scans.wording import listed, plural


def focus_findings(sharp: Mapping[str, float], shared: Sequence[Shared], sizes: Mapping[str, Size]) -> list[Finding]:
    """Failed checks for soft scans, soft edges and sharpened scans."""
    found = [
        Finding(
            "soft-scan",
            Severity.FAILED,
            f"{name} is soft: fine detail has {np.exp(sharp[name] / 2):.0%} of the contrast that most scans show.",
            "Lay the piece flat on the glass and scan it again.",
            (name,),
        )
        for name in soft_scans(sharp, shared, sizes)
    ]
    found += [
        Finding(
            "sharpened-scan",
            Severity.FAILED,
            f"{name} was sharpened: fine detail has {np.exp(sharp[name] / 2):.0%} of the contrast in most scans.",
            "Switch sharpening off in the scanner program and scan this piece again.",
            (name,),
        )
        for name in sharpened_scans(sharp, shared, sizes)
    ]
    by_scan: dict[str, list[SoftEdge]] = {}
    for edge in soft_edges(shared, sharp, sizes):
        by_scan.setdefault(edge.scan_id, []).append(edge)
    return found + [
        Finding(
            "soft-edge",
            Severity.FAILED,
            f"{name} is soft along its {listed([edge.side for edge in mine])} "
            f"{plural(mine, 'edge', 'edges')} (fine detail at {min(edge.contrast for edge in mine):.0%}): "
            f"{_lifted(mine)}.",
            "Hold that edge down flat, without pressing the lid, and scan it again.",
            (name,),
        )
        for name, mine in by_scan.items()
    ]


def unlike_detail_findings(found: Mapping[str, float]) -> list[Finding]:
    """A warning for each scan without a place whose fine detail is far from the others', by its log."""
    return [
        Finding(
            "sharpened-scan" if log > 0 else "soft-scan",
            Severity.WARNING,
            f"{name} has {np.exp(log / 2):.0%} of the contrast that fine detail has in the others: "
            f"{'it was sharpened' if log > 0 else 'it is soft'}, or shows something else.",
            "See whether the scanner program sharpens by itself."
            if log > 0
            else "Lay the piece flat on the glass and scan it again.",
            (name,),
        )
        for name, log in found.items()
    ]


def _lifted(mine: Sequence[SoftEdge]) -> str:
    if any(edge.is_only_view for edge in mine):
        return "the sheet lifted off the glass there, or everywhere: no other scan shows more of it"
    return "the sheet lifted off the glass there"
