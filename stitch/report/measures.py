"""Figures of the whole run, each worked out from the records in one place for both the page and the data files.

Along a seam every point speaks for half of the way to each neighbour, so that points set close together do not
count twice.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import mm_from_px
from stitch.model.layout import Link
from stitch.model.report import RunSummary
from stitch.model.seams import SeamLine

VISIBLE_STEP_DE00 = 1.0
"""Step above which a seam is counted as one that may be seen. The project's own choice: no published limit exists."""

VISIBLE_SHIFT_PX = 0.33
"""Shift that weighs as much as one visible step when spots are ranked. The project's own choice; the same number is
the four-star figure for channel misregistration in FADGI, Technical Guidelines, 2016, paintings table."""


JUMP_SHIFT_PX = 0.5
"""Shift at any one place along a seam from which the check fails. The project's own choice."""

JUMP_SHIFT_STRAIGHTENED_PX = 1.0
"""The same where two scans that lay differently turned were also straightened piece by piece: there relief, the turn
and the sheet's own bending are told apart by colour alone."""


@dataclass(frozen=True, slots=True)
class SeamFigures:
    """Length-weighted figures of one seam or of several together; None where nothing was measured."""

    length_mm: float
    mean_step_de00: float | None
    p95_step_de00: float | None
    worst_step_de00: float | None
    quiet_fraction: float | None  # share of the measured length with a step below VISIBLE_STEP_DE00
    median_misregistration_px: float | None
    p95_misregistration_px: float | None
    worst_misregistration_px: float | None
    misregistration_measured_fraction: float | None  # share of the length where misregistration could be told
    median_sharpness_change_percent: float | None  # by which one scan is sharper than the other, whichever it is
    worst_sharpness_change_percent: float | None


def seam_figures(lines: Iterable[SeamLine]) -> SeamFigures:
    """Figures of all `lines` together."""
    lines = tuple(lines)
    weights = _joined([point_weights_mm(line) for line in lines])
    steps = _joined([np.array(line.step_de00, dtype=np.float64) for line in lines])
    shifts = _joined([_with_gaps(line.misregistration_px) for line in lines])
    changes = _joined([_sharpness_changes_percent(line) for line in lines])
    seen, told, sharp = np.isfinite(steps), np.isfinite(shifts), np.isfinite(changes)
    total = float(weights.sum())
    quiet = float(weights[seen & (np.nan_to_num(steps) < VISIBLE_STEP_DE00)].sum())
    return SeamFigures(
        length_mm=math.fsum(line.length_mm for line in lines),
        mean_step_de00=_mean(steps[seen], weights[seen]),
        p95_step_de00=_quantile(steps[seen], weights[seen], 0.95),
        worst_step_de00=float(steps[seen].max()) if seen.any() else None,
        quiet_fraction=quiet / float(weights[seen].sum()) if weights[seen].sum() > 0 else None,
        median_misregistration_px=_quantile(shifts[told], weights[told], 0.5),
        p95_misregistration_px=_quantile(shifts[told], weights[told], 0.95),
        worst_misregistration_px=float(shifts[told].max()) if told.any() else None,
        misregistration_measured_fraction=float(weights[told].sum()) / total if total > 0 else None,
        median_sharpness_change_percent=_quantile(changes[sharp], weights[sharp], 0.5),
        worst_sharpness_change_percent=float(changes[sharp].max()) if sharp.any() else None,
    )


def _sharpness_changes_percent(line: SeamLine) -> NDArray[np.float64]:
    """At each point how much sharper one scan is than the other; NaN where that was not told."""
    ratios = _with_gaps(line.sharpness_ratio or (None,) * len(line.points_px))
    return np.asarray(100.0 * (np.maximum(ratios, 1.0 / ratios) - 1.0), np.float64)


def point_weights_mm(line: SeamLine) -> NDArray[np.float64]:
    """Length in mm that each point of a seam speaks for, shape (points,); they add up to `length_mm`."""
    points = np.array(line.points_px, dtype=np.float64).reshape(-1, 2)
    if len(points) < 2:
        return np.full(len(points), line.length_mm)
    pieces = np.hypot(*np.diff(points, axis=0).T)
    weights = np.zeros(len(points))
    weights[:-1] += pieces / 2
    weights[1:] += pieces / 2
    total = weights.sum()
    return weights * (line.length_mm / total) if total > 0 else np.full(len(points), line.length_mm / len(points))


def links_of(summary: RunSummary) -> tuple[str, tuple[Link, ...]]:
    """The links of a run and where in the record they are, also when the scans could not all be placed."""
    if summary.layout is not None:
        return "layout.links", summary.layout.links
    return "links_found", summary.links_found


def groups_of(scan_ids: Sequence[str], links: Iterable[Link]) -> tuple[tuple[str, ...], ...]:
    """The scans that hang together by links that hold, largest group first."""
    groups = [{name} for name in scan_ids]
    for link in links:
        if not link.is_weak:
            joined = [group for group in groups if link.scan_a in group or link.scan_b in group]
            groups = [group for group in groups if group not in joined] + [set().union(*joined)]
    groups.sort(key=lambda group: (-len(group), min(map(list(scan_ids).index, group))))
    return tuple(tuple(name for name in scan_ids if name in group) for group in groups if group)


def error_or_none_px(link: Link, name: str) -> float | None:
    """An error of a link ("median", "p95" or "max"); None when no patch was kept apart to measure it on."""
    return float(getattr(link, f"{name}_px")) if link.heldout_count else None


def link_ppi(summary: RunSummary, link: Link) -> float | None:
    """The resolution in which a link's errors count: that of its first scan; None when nobody states one."""
    return scan_ppi(summary, link.scan_a)


def scan_ppi(summary: RunSummary, scan_id: str) -> float | None:
    """The resolution of a scan; the master's when it states none; None when there is none either."""
    for scan in summary.scans:
        if scan.scan_id == scan_id and (scan.ppi_x or summary.settings.scan_dpi):
            return scan.ppi_x or summary.settings.scan_dpi
    return summary.layout.canvas_ppi if summary.layout else None


def length_or_none_mm(length_px: float | None, ppi: float | None) -> float | None:
    """Length in mm, or None when either is unknown."""
    return None if length_px is None or not ppi else mm_from_px(length_px, ppi)


def _with_gaps(values: Sequence[float | None]) -> NDArray[np.float64]:
    return np.array([math.nan if value is None else value for value in values], dtype=np.float64)


def _joined(arrays: Sequence[NDArray[np.float64]]) -> NDArray[np.float64]:
    return np.concatenate(arrays) if arrays else np.zeros(0)


def _mean(values: NDArray[np.float64], weights: NDArray[np.float64]) -> float | None:
    total = float(weights.sum())
    return float((values * weights).sum()) / total if total > 0 else None


def _quantile(values: NDArray[np.float64], weights: NDArray[np.float64], share: float) -> float | None:
    """The smallest value that at least `share` of the weight does not exceed."""
    if weights.sum() <= 0:
        return None
    order = np.argsort(values, kind="stable")
    reached = np.cumsum(weights[order]) / weights.sum()
    return float(values[order][min(int(np.searchsorted(reached, share - 1e-12)), len(values) - 1)])
