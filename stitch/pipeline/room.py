"""Room on the disk for a master: what is surely needed before any scan is placed, and what is needed once all are."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from statistics import median

from stitch.imaging.affine import px_from_mm
from stitch.imaging.overview import KEPT_BYTES, block_px_for
from stitch.job.disk import require_free
from stitch.master.strips import LARGEST_SHARE
from stitch.model.master import MasterSpec
from stitch.model.scans import Scan
from stitch.model.settings import Compression, JoinSettings
from stitch.scans.preflight import effective_ppi, master_bits

LABEL_SHARE = 0.05  # disk kept for the packed label file, as a share of one byte a pixel
MOST_OVERLAP = 4  # scans that show a place, on average: no set for joining has more
SMALLEST_SHARE = 0.3  # of the plain bytes that a packed painting can take


def require_least(root: Path, scans: Sequence[Scan], settings: JoinSettings) -> None:
    """Refuse before long work what cannot end well: no room on the disk for the smallest master of these scans.

    With a tape measure that is one of its size.

    Raises WriteError.
    """
    ppi = {scan.scan_id: effective_ppi(scan, settings.scan_dpi) for scan in scans}
    scale = [(settings.dpi / ppi[scan.scan_id]) ** 2 if settings.dpi else 1.0 for scan in scans]
    pixels = [one * scan.size.megapixels * 1e6 for one, scan in zip(scale, scans, strict=True)]
    share = 1.0 if settings.compression is Compression.NONE else SMALLEST_SHARE
    least = max(max(pixels), sum(pixels) / MOST_OVERLAP, _taped(settings, settings.dpi or median(ppi.values())))
    require_free(root, int(least * share * 3 * master_bits(scans) / 8))


def _taped(settings: JoinSettings, ppi: float) -> float:
    """Pixels of the painting by the tape measure; 0 without one."""
    if not settings.width_mm or not settings.height_mm:
        return 0.0
    return px_from_mm(settings.width_mm, ppi) * px_from_mm(settings.height_mm, ppi)


def require_for(root: Path, spec: MasterSpec) -> None:
    """Room for the master, its labels and its overview. Raises WriteError."""
    pixels = spec.size.width_px * spec.size.height_px
    of_pixel = 3 * spec.bits / 8 * LARGEST_SHARE[spec.compression] + LABEL_SHARE
    of_pixel += KEPT_BYTES / block_px_for(spec.size, spec.ppi) ** 2
    require_free(root, int(pixels * of_pixel))
