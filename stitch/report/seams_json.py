"""The seams as plain data."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Sequence
from typing import Any

from stitch.imaging.affine import mm_from_px
from stitch.model.seams import SeamLine
from stitch.report.measures import VISIBLE_STEP_DE00, SeamFigures, seam_figures

SCHEMA_VERSION = 1

CONVENTION = (
    "Points are [x, y], x to the right and y down. In px the origin is the centre of the master's top-left pixel; "
    "in mm it is the master's top-left corner, so x_mm = (x_px + 0.5) * 25.4 / canvas_ppi."
)


def seams_plain(lines: Sequence[SeamLine], canvas_ppi: float) -> dict[str, Any]:
    """All seams as JSON values: units in the names, points in mm and in px, null where nothing was measured."""
    return {
        "schema_version": SCHEMA_VERSION,
        "convention": CONVENTION,
        "canvas_ppi": canvas_ppi,
        "visible_step_de00": VISIBLE_STEP_DE00,
        "visible_step_source": "the project's own limit; no published figure exists",
        "all_seams": figures_plain(seam_figures(lines), canvas_ppi),
        "seams": [_seam_plain(line, canvas_ppi) for line in lines],
    }


def figures_plain(figures: SeamFigures, canvas_ppi: float) -> dict[str, Any]:
    """The figures of one seam or all, lengths and shifts in mm as well as px."""
    plain = dataclasses.asdict(figures)
    for name in ("median", "p95", "worst"):
        shift_px = plain[f"{name}_misregistration_px"]
        plain[f"{name}_misregistration_mm"] = None if shift_px is None else mm_from_px(shift_px, canvas_ppi)
    return plain


def _seam_plain(line: SeamLine, canvas_ppi: float) -> dict[str, Any]:
    points = [[float(x), float(y)] for x, y in line.points_px]
    return {
        "scan_a": line.scan_a,
        "scan_b": line.scan_b,
        "length_px": math.fsum(math.dist(a, b) for a, b in itertools.pairwise(points)),
        **figures_plain(seam_figures([line]), canvas_ppi),
        "points_px": points,
        "points_mm": [[mm_from_px(x + 0.5, canvas_ppi), mm_from_px(y + 0.5, canvas_ppi)] for x, y in points],
        "step_de00": [number_or_none(step) for step in line.step_de00],
        "sharpness_ratio": [number_or_none(ratio) for ratio in line.sharpness_ratio],
        "misregistration_px": [number_or_none(shift) for shift in line.misregistration_px],
        "misregistration_mm": [
            None if number_or_none(shift) is None else mm_from_px(float(shift or 0.0), canvas_ppi)
            for shift in line.misregistration_px
        ],
    }


def number_or_none(value: float | None) -> float | None:
    """A number JSON can hold, or None."""
    return float(value) if value is not None and math.isfinite(value) else None
