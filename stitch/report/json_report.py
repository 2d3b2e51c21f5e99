"""report.json: the same figures as the page, with a schema version."""

from __future__ import annotations

import math
import os
from pathlib import Path
from typing import Any

from stitch.model.codec import to_plain
from stitch.model.layout import Link
from stitch.model.master import MasterSpec
from stitch.model.report import RunSummary
from stitch.model.scans import Scan
from stitch.report.files import profile_name, sha256_of
from stitch.report.measures import (
    JUMP_SHIFT_PX,
    JUMP_SHIFT_STRAIGHTENED_PX,
    VISIBLE_STEP_DE00,
    error_or_none_px,
    length_or_none_mm,
    link_ppi,
    links_of,
    seam_figures,
)
from stitch.report.seams_json import figures_plain
from stitch.report.verdict import verdict

SCHEMA_VERSION = 1


def report_plain(summary: RunSummary, *, job_folder: Path) -> dict[str, Any]:
    """The whole run as JSON values. Rooms that did not run are null; so is every figure that is not known.

    `job_folder` : scan paths are given relative to it, with forward slashes.
    """
    said = verdict(summary)
    plain = {
        "schema_version": SCHEMA_VERSION,
        "tool": {"name": "stitch", "version": summary.tool_version},
        "started_at": summary.started_at,
        "job_name": summary.job_name,
        "exit_code": summary.exit_code,
        "verdict": {"outcome": said.outcome.value, "headline": said.headline, "sentences": list(said.sentences)},
        "next_command": summary.next_command,
        "settings": to_plain(summary.settings),
        "scans": [_scan_plain(scan, summary, job_folder) for scan in summary.scans],
        "layout": _layout_plain(summary),
        "places_found": to_plain(summary.places_found),
        "links": _links_plain(summary),
        "tone": to_plain(summary.tone),
        "seams": _seams_plain(summary),
        "size_check": to_plain(summary.size_check),
        "master_spec": _spec_plain(summary.master_spec),
        "master": to_plain(summary.master),
        "findings": to_plain(summary.findings),
        "timings": [_timing_plain(timing) for timing in to_plain(summary.timings)],
    }
    return _without_nan(plain)


def relative_path(path: Path, job_folder: Path) -> str:
    """`path` relative to the job folder; unchanged where there is no way from one to the other (another drive)."""
    if not path.is_absolute():
        return path.as_posix()
    try:
        return Path(os.path.relpath(path, job_folder)).as_posix()
    except ValueError:
        return path.as_posix()


def profile_plain(profile: bytes | None) -> dict[str, Any] | None:
    """What identifies an ICC profile: its hash, size and the description inside it."""
    if profile is None:
        return None
    return {"sha256": sha256_of(profile), "byte_count": len(profile), "description": profile_name(profile)}


def _scan_plain(scan: Scan, summary: RunSummary, job_folder: Path) -> dict[str, Any]:
    after = dict(summary.sha256_after).get(scan.scan_id)
    return {
        **to_plain(scan),
        "path": relative_path(scan.path, job_folder),
        "profile": profile_plain(scan.profile),
        "sha256_after": after,
        "is_unchanged": None if after is None else after == scan.sha256,
    }


def _layout_plain(summary: RunSummary) -> dict[str, Any] | None:
    if summary.layout is None:
        return None
    plain = to_plain(summary.layout)
    del plain["links"]
    return {**plain, "unplaced": unplaced(summary)}


def unplaced(summary: RunSummary) -> list[str]:
    """Names of the scans for which no place was found on the canvas; those left out as needless had one."""
    layout = summary.layout
    known = {placement.scan_id for placement in layout.placements} if layout else set()
    known |= {one.scan_id for one in layout.left_out} if layout else set()
    return [scan.scan_id for scan in summary.scans if scan.scan_id not in known]


def _links_plain(summary: RunSummary) -> list[dict[str, Any]]:
    return [_link_plain(summary, link) for link in links_of(summary)[1]]


def _link_plain(summary: RunSummary, link: Link) -> dict[str, Any]:
    ppi = link_ppi(summary, link)
    errors = {name: error_or_none_px(link, name) for name in ("median", "p95", "max")}
    in_px = {f"{name}_px": error for name, error in errors.items()}
    in_mm = {f"{name}_mm": length_or_none_mm(error, ppi) for name, error in errors.items()}
    return {**to_plain(link), **in_px, **in_mm, "scan_ppi": ppi}


def _seams_plain(summary: RunSummary) -> dict[str, Any] | None:
    """Figures only: the polylines are in the seams' own file."""
    if summary.seams is None or summary.layout is None:
        return None
    ppi = summary.layout.canvas_ppi
    return {
        "visible_step_de00": VISIBLE_STEP_DE00,
        "visible_step_source": "the project's own limit; no published figure exists",
        "jump_shift_px": JUMP_SHIFT_PX,
        "jump_shift_straightened_px": JUMP_SHIFT_STRAIGHTENED_PX,
        "all_seams": figures_plain(seam_figures(summary.seams), ppi),
        "seams": [
            {"scan_a": line.scan_a, "scan_b": line.scan_b, **figures_plain(seam_figures([line]), ppi)}
            for line in summary.seams
        ],
    }


def _spec_plain(spec: MasterSpec | None) -> dict[str, Any] | None:
    if spec is None:
        return None
    plain = to_plain(spec)
    plain["profile"] = profile_plain(spec.profile)
    plain["ingredients"] = [{"file_name": name, "sha256": sha256} for name, sha256 in spec.ingredients]
    return plain


TIMING_FACTS = ("is_kept", "cpu_s", "read_bytes", "written_bytes")


def _timing_plain(timing: dict[str, Any]) -> dict[str, Any]:
    return {"room": timing["room"], "elapsed_s": timing["seconds"], **{name: timing[name] for name in TIMING_FACTS}}


def _without_nan(plain: Any) -> Any:
    """NaN and infinity become null: a number that is not known."""
    if isinstance(plain, dict):
        return {key: _without_nan(item) for key, item in plain.items()}
    if isinstance(plain, list):
        return [_without_nan(item) for item in plain]
    return None if isinstance(plain, float) and not math.isfinite(plain) else plain
