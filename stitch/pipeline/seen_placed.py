"""What placed scans show of how they were made: light, focus, clipping, streaks; a check and a join both ask."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.check.compare import Shared, Side, compare_all
from stitch.check.exposure import Exposure, exposures
from stitch.check.filled import filled_px
from stitch.check.focus import sharpness
from stitch.check.look import Look
from stitch.check.overlaps import Strip, strips
from stitch.imaging.affine import apply
from stitch.imaging.colour import Encoding
from stitch.model.findings import Finding, Severity
from stitch.model.layout import Link
from stitch.pipeline import check_detail, check_places, check_quality
from stitch.pipeline.laying import Laid, inside_mm
from stitch.pipeline.looking import light_of_cells, of_cells
from stitch.register.reduced import Reduced
from stitch.scans.resolution import DIFFERENCE_LIMIT

COPED_WITH = ("askew",)  # a join turns every scan straight
INSET_MM = 5.0  # inside the painting's edges: there it is paint that is clipped, not the lid


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """What was measured on placed scans."""

    light: Sequence[Exposure] = ()
    sharp: Mapping[str, float] = field(default_factory=dict)
    strips: Sequence[Strip] = ()
    clipped: Mapping[str, check_quality.Clipped] = field(default_factory=dict)
    findings: Sequence[Finding] = ()


def measured(
    laid: Laid,
    reduced: Mapping[str, Reduced],
    looks: Mapping[str, Look],
    ppi: Mapping[str, float],
    encoding: Encoding,
    jobs: int,
) -> Measured:
    """Everything that is seen once the scans lie where they belong; `jobs` : threads."""
    paint = _paint_cells(looks, laid, reduced)
    shared = compare_all(_sides(reduced, looks, laid, paint, encoding))
    placed = list(laid.mm_from_scan)
    light, alike = exposures(placed, shared), _of_one_resolution(shared, ppi)
    sharp = sharpness(placed, alike)
    shown = strips(laid.corners_mm)
    clipped = {n: check_quality.clipped(looks[n], mine.reshape(-1), ppi[n]) for n, mine in paint.items()}
    sizes = {name: reduced[name].scan_size for name in placed}
    focus = check_detail.focus_findings(sharp, alike, sizes)
    findings = [
        *check_places.strip_findings(shown),
        *check_places.askew_findings(laid),
        *check_quality.streak_findings(reduced, ppi, laid, jobs),
        *check_quality.exposure_findings(light),
        *focus,
        *check_quality.shadow_findings(shared, light, sizes, focus),
        *check_quality.clipping_findings(clipped),
    ]
    return Measured(light, sharp, shown, clipped, findings)


def told_by_join(found: Sequence[Finding], links: Sequence[Link]) -> list[Finding]:
    """The same for a join, which makes a master all the same: warnings; what a weak link says already is left out."""
    weak = {frozenset((link.scan_a, link.scan_b)) for link in links if link.is_weak}
    told = []
    for one in found:
        if one.code == "thin-overlap" and frozenset(one.scan_ids) in weak:
            continue
        severity = Severity.NOTE if one.code in COPED_WITH else Severity.WARNING
        told.append(replace(one, severity=severity))
    return told


def _of_one_resolution(shared: Sequence[Shared], ppi: Mapping[str, float]) -> list[Shared]:
    """Detail is compared in px: only scans of the usual resolution can be."""
    usual = float(np.median(list(ppi.values())))
    is_usual = {name: abs(value / usual - 1) <= DIFFERENCE_LIMIT for name, value in ppi.items()}
    return [one for one in shared if is_usual[one.scan_a] and is_usual[one.scan_b]]


def _sides(
    reduced: Mapping[str, Reduced],
    looks: Mapping[str, Look],
    laid: Laid,
    paint: Mapping[str, NDArray[np.bool_]],
    encoding: Encoding,
) -> dict[str, Side]:
    return {
        name: Side(looks[name], light_of_cells(reduced[name], looks[name], encoding), matrix, paint[name])
        for name, matrix in laid.mm_from_scan.items()
    }


def _paint_cells(looks: Mapping[str, Look], laid: Laid, reduced: Mapping[str, Reduced]) -> dict[str, NDArray[np.bool_]]:
    """Which cells of each placed scan show paint, (rows, columns); corners that a program filled do not."""
    found = {}
    for name, matrix in laid.mm_from_scan.items():
        centres = looks[name].centres()
        inside = inside_mm(laid, apply(matrix, centres.reshape(-1, 2))) > INSET_MM
        filled = of_cells(filled_px(reduced[name].codes).astype(np.float32), reduced[name], looks[name])
        is_filled = cv2.resize(filled, centres.shape[1::-1], interpolation=cv2.INTER_AREA) > 0
        found[name] = inside.reshape(centres.shape[:2]) & ~is_filled
    return found
