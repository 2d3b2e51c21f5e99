"""Everything that can be known to be wrong with the scans before any long work, collected and said together."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from statistics import median_high

from stitch.imaging.affine import mm_from_px
from stitch.model.findings import Finding, Severity
from stitch.model.scans import Scan
from stitch.scans.profiles import profile_findings
from stitch.scans.resolution import effective_ppi, resolution_findings, stated_ppi
from stitch.scans.wording import listed, names, plural

__all__ = ["effective_ppi", "master_bits", "preflight"]

CLIPPED_FRACTION = 0.005  # common practice, no source: half a percent of the pixels
SIZE_CLASS_RATIO = 1.5  # a side this much shorter or longer than the others' is worth a question


def preflight(
    scans: tuple[Scan, ...],
    *,
    scan_dpi: float | None,
    dpi: float | None,
    allow_enlarge: bool,
    profile: bytes | None,
) -> tuple[Finding, ...]:
    """Check the scans of a job against each other.

    Parameters
    ----------
    scan_dpi : resolution to assume for scans that state none.
    dpi : resolution asked for the master; None means that of the scans.
    allow_enlarge : whether scans may be enlarged to reach `dpi`.
    profile : ICC profile to assign to scans that carry none.

    Returns
    -------
    All findings, the ones that stop the run first. An empty tuple when nothing was noticed.
    """
    found = [
        *_duplicates(scans),
        *resolution_findings(scans, scan_dpi=scan_dpi, dpi=dpi, allow_enlarge=allow_enlarge),
        *profile_findings(scans, assigned=profile),
        *_greys(scans),
        *_bit_depths(scans),
        *_size_classes(scans, scan_dpi),
        *_clipping(scans),
        *_jpegs(scans),
    ]
    order = [Severity.STOP, Severity.FAILED, Severity.WARNING, Severity.NOTE]
    return tuple(sorted(found, key=lambda finding: order.index(finding.severity)))


def master_bits(scans: Iterable[Scan]) -> int:
    """Bits per channel of the master: 16 as soon as one scan has 16, so that no scan loses tones; else 8."""
    return max(scan.bits for scan in scans)


def _duplicates(scans: Sequence[Scan]) -> list[Finding]:
    groups: dict[tuple[str, int], list[Scan]] = {}
    for scan in scans:
        groups.setdefault((scan.sha256, scan.page_index), []).append(scan)
    return [
        Finding(
            "duplicate-scan",
            Severity.STOP,
            f"{names(group)} are the same file, byte for byte.",
            "Leave out all but one, for instance with --skip.",
            tuple(scan.scan_id for scan in group),
        )
        for group in groups.values()
        if len(group) > 1
    ]


def _greys(scans: Sequence[Scan]) -> list[Finding]:
    grey = [scan for scan in scans if scan.is_grey]
    if not grey:
        return []
    ids = tuple(scan.scan_id for scan in grey)
    if len(grey) < len(scans):
        message = f"{names(grey)} {plural(grey, 'is', 'are')} grey, the other scans are in colour."
        advice = "Scan the whole painting in colour, or leave the grey scans out with --skip."
        return [Finding("grey-among-colour", Severity.STOP, message, advice, ids)]
    message = "The scans are grey; the master will be RGB with three equal channels."
    return [Finding("grey-scans", Severity.NOTE, message, scan_ids=ids)]


def _bit_depths(scans: Sequence[Scan]) -> list[Finding]:
    shallow = [scan for scan in scans if scan.bits == 8]
    if not shallow or len(shallow) == len(scans):
        return []
    message = (
        f"{names(shallow)} {plural(shallow, 'has', 'have')} 8 bits per channel, the others 16. The master will have "
        f"16; the parts from {plural(shallow, 'this scan', 'these scans')} keep {plural(shallow, 'its', 'their')} "
        "coarser steps of tone."
    )
    advice = "Scan them again with 16 bits per channel (48-bit colour) if smooth tones matter there."
    return [Finding("mixed-bit-depth", Severity.WARNING, message, advice, tuple(scan.scan_id for scan in shallow))]


def _size_classes(scans: Sequence[Scan], scan_dpi: float | None) -> list[Finding]:
    known = [(scan, sides) for scan in scans if (sides := _sides_mm(scan, scan_dpi)) is not None]
    if len(known) < 2:
        return []
    usual = (median_high(sides[0] for _, sides in known), median_high(sides[1] for _, sides in known))
    return [
        Finding(
            "odd-size",
            Severity.WARNING,
            f"{scan.scan_id} is {sides[0]:.0f} × {sides[1]:.0f} mm, unlike the others "
            f"(about {usual[0]:.0f} × {usual[1]:.0f} mm).",
            "Check that it is a scan of this painting, uncropped; leave it out with --skip if it is not.",
            (scan.scan_id,),
        )
        for scan, sides in known
        if _is_odd(sides, usual)
    ]


def _sides_mm(scan: Scan, scan_dpi: float | None) -> tuple[float, float] | None:
    """Shorter and longer side; None when the resolution is not known."""
    ppi = stated_ppi(scan) or ((scan_dpi, scan_dpi) if scan_dpi else None)
    if ppi is None:
        return None
    width, height = mm_from_px(scan.size.width_px, ppi[0]), mm_from_px(scan.size.height_px, ppi[1])
    return min(width, height), max(width, height)


def _is_odd(sides: tuple[float, float], usual: tuple[float, float]) -> bool:
    return any(
        not 1 / SIZE_CLASS_RATIO <= side / other <= SIZE_CLASS_RATIO for side, other in zip(sides, usual, strict=True)
    )


def _clipping(scans: Sequence[Scan]) -> list[Finding]:
    bright = [(scan, scan.clipped_high_fraction) for scan in scans if scan.clipped_high_fraction > CLIPPED_FRACTION]
    dark = [(scan, scan.clipped_low_fraction) for scan in scans if scan.clipped_low_fraction > CLIPPED_FRACTION]
    return [
        *_clipped("clipped-highlights", "highlights", "the brightest value", bright),
        *_clipped("clipped-shadows", "shadows", "black, 0", dark),
    ]


def _clipped(code: str, what: str, value: str, shares: list[tuple[Scan, float]]) -> list[Finding]:
    if not shares:
        return []
    detail = listed([f"{scan.scan_id} ({share:.1%})" for scan, share in shares])
    message = f"Clipped {what}: pixels with a channel at {value}, in {detail}."
    advice = (
        "If that is the lid around the painting, all is well; if it is paint, detail is lost there: scan again with "
        "automatic correction off."
    )
    return [Finding(code, Severity.WARNING, message, advice, tuple(scan.scan_id for scan, _ in shares))]


def _jpegs(scans: Sequence[Scan]) -> list[Finding]:
    lossy = [scan for scan in scans if scan.compression == "jpeg"]
    if not lossy:
        return []
    message = f"{names(lossy)} {plural(lossy, 'is', 'are')} JPEG-compressed, which loses fine detail."
    advice = "Scan to TIFF next time."
    return [Finding("jpeg-compressed", Severity.NOTE, message, advice, tuple(scan.scan_id for scan in lossy))]
