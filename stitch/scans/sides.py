"""The size of a scan on paper."""

from __future__ import annotations

from stitch.imaging.affine import mm_from_px
from stitch.model.scans import Scan
from stitch.scans.resolution import effective_ppi


def sides_mm(scan: Scan, scan_dpi: float | None) -> tuple[float, float]:
    """Shorter and longer side. Raises ScanError where neither the scan nor `scan_dpi` states a resolution."""
    ppi = effective_ppi(scan, scan_dpi)
    shorter, longer = sorted(mm_from_px(n, ppi) for n in (scan.size.width_px, scan.size.height_px))
    return shorter, longer
