"""What is to be said of how the scans were made: resolution, bits, profile, size, compression."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace

from stitch.model.findings import Finding, Severity
from stitch.model.scans import Scan
from stitch.scans.jpeg_quality import jpeg_quality
from stitch.scans.preflight import preflight
from stitch.scans.resolution import DIFFERENCE_LIMIT, effective_ppi
from stitch.scans.sides import sides_mm
from stitch.scans.wording import names, number, plural

AGAIN = frozenset({"mixed-bit-depth"})  # a warning to a join, but cheap to mend while the painting lies there
CLIPPING = ("clipped-highlights", "clipped-shadows")
UNEQUAL_MM = 1.0
POOR_JPEG = 85.0  # visible blocks below; common practice, no source
ORDER = (Severity.FAILED, Severity.WARNING, Severity.NOTE)


def settings_findings(scans: tuple[Scan, ...], scan_dpi: float | None) -> list[Finding]:
    """Everything that the files' own facts show, in the words of a join where it says so, too."""
    common = preflight(scans, scan_dpi=scan_dpi, dpi=None, allow_enlarge=False, profile=None)
    odd = _other_dpi(scans, scan_dpi)
    kept = [one for one in common if not (odd and one.code == "resolution-differs")]
    return [*(_weighed(one) for one in kept), *odd, *_beside(kept, scans, scan_dpi, is_mixed=bool(odd))]


def beside_preflight(found: Sequence[Finding], scans: Sequence[Scan], scan_dpi: float | None) -> list[Finding]:
    """What a join adds to the findings of its preflight: warnings, since it makes a master all the same."""
    is_mixed = bool(_other_dpi(scans, scan_dpi))
    added = _beside(found, scans, scan_dpi, is_mixed=is_mixed)
    return [replace(one, severity=Severity.WARNING) for one in added]


def _beside(
    found: Sequence[Finding], scans: Sequence[Scan], scan_dpi: float | None, *, is_mixed: bool
) -> list[Finding]:
    is_told = is_mixed or any(one.code == "odd-size" for one in found)
    return [*([] if is_told else _unequal(scans, scan_dpi)), *_jpegs(scans)]


def without_what_pixels_tell(findings: Sequence[Finding], placed: Sequence[Finding]) -> tuple[Finding, ...]:
    """Without what placed scans tell better: clipping of whole scans, lid included, and JPEG by its file alone."""
    seen = {name for one in placed if one.code == "jpeg-damage" for name in one.scan_ids}
    return tuple(
        one
        for one in findings
        if one.code not in CLIPPING and not (one.code == "jpeg-damage" and set(one.scan_ids) <= seen)
    )


def _weighed(finding: Finding) -> Finding:
    if finding.severity is Severity.STOP or finding.code in AGAIN:
        return replace(finding, severity=Severity.FAILED)
    return finding


def sorted_by_weight(findings: Sequence[Finding]) -> list[Finding]:
    """What decides the verdict first."""
    weighed = [_weighed(finding) for finding in findings]
    return sorted(weighed, key=lambda one: ORDER.index(one.severity))


def with_places(finding: Finding, words: Mapping[str, str]) -> Finding:
    """The finding with the planned place of the scans it names, where there are few of them."""
    known = [name for name in finding.scan_ids if words.get(name)]
    if not known or len(finding.scan_ids) > 2:
        return finding
    said = "; ".join(f"{name}: {words[name]}" for name in known)
    return replace(finding, message=f"{finding.message} ({said})")


def _other_dpi(scans: Sequence[Scan], scan_dpi: float | None) -> list[Finding]:
    ppi = {scan.scan_id: effective_ppi(scan, scan_dpi) for scan in scans}
    usual = Counter(round(value) for value in ppi.values()).most_common(1)[0][0]
    odd = [scan for scan in scans if abs(ppi[scan.scan_id] / usual - 1) > DIFFERENCE_LIMIT]
    if not odd:
        return []
    values = " and ".join(sorted({number(ppi[scan.scan_id]) for scan in odd}))
    return [
        Finding(
            "resolution-differs",
            Severity.FAILED,
            f"{names(odd)} {plural(odd, 'was', 'were')} made at {values} dpi, the others at {usual}.",
            f"Scan {plural(odd, 'it', 'them')} again at {usual} dpi.",
            tuple(scan.scan_id for scan in odd),
        )
    ]


def _unequal(scans: Sequence[Scan], scan_dpi: float | None) -> list[Finding]:
    sides = {scan.scan_id: sides_mm(scan, scan_dpi) for scan in scans}
    usual = Counter(tuple(round(side, 1) for side in pair) for pair in sides.values()).most_common(1)[0][0]
    odd = [
        scan for scan in scans if any(abs(a - b) > UNEQUAL_MM for a, b in zip(sides[scan.scan_id], usual, strict=True))
    ]
    if not odd:
        return []
    first = sides[odd[0].scan_id]
    return [
        Finding(
            "unequal-size",
            Severity.WARNING,
            f"{names(odd)} {plural(odd, 'is', 'are')} of another size ({first[0]:.0f} × {first[1]:.0f} mm) than most "
            f"scans ({usual[0]:.0f} × {usual[1]:.0f} mm): the scanner program cropped or straightened by itself.",
            "Switch that off and scan the whole glass each time.",
            tuple(scan.scan_id for scan in odd),
        )
    ]


def _jpegs(scans: Sequence[Scan]) -> list[Finding]:
    quality = {scan.scan_id: jpeg_quality(scan.path) for scan in scans if scan.file_format == "JPEG"}
    poor = [scan for scan in scans if quality.get(scan.scan_id, 100.0) < POOR_JPEG]
    if not poor:
        return []
    worst = min(quality[scan.scan_id] for scan in poor)
    return [
        Finding(
            "jpeg-damage",
            Severity.FAILED,
            f"{names(poor)} {plural(poor, 'was', 'were')} saved as JPEG of low quality (about {worst:.0f} of 100): "
            "fine detail is lost in blocks.",
            f"Scan {plural(poor, 'it', 'them')} again as TIFF.",
            tuple(scan.scan_id for scan in poor),
        )
    ]
