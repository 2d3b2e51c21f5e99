"""The scanner file of a run: read before any work, used by the register room, written when the run saw the bed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from stitch.job.folder import JobFolder
from stitch.job.scanner_file import OBSERVED, ScannerRecord, load, record_of, save, text_of
from stitch.job.whole import write_text_whole
from stitch.model.bed import Bed
from stitch.model.findings import Finding, Severity
from stitch.model.settings import JoinSettings

CONTRADICTION_SIGMAS = 4.0
LEAST_CONTRADICTION = 2e-4  # 0.02 %; in radians for the skew
SAME_DPI = 0.02

WHY_NOT = {
    True: "A check failed, so what this run saw of the scanner's own shape was not saved.",
    False: "There was nothing to save about the scanner's own shape: no piece was turned by a quarter.",
}


@dataclass(frozen=True, slots=True)
class Calibration:
    """The file named, and what it says. `is_own` : this very job wrote it, so it is no news to it."""

    path: Path | None = None
    record: ScannerRecord | None = None
    is_own: bool = False

    @property
    def bed(self) -> Bed | None:
        """The shape to register with; None when the run has to find it out."""
        return None if self.record is None or self.is_own else self.record.bed


def read(settings: JoinSettings, folder: JobFolder) -> Calibration:
    """The calibration named with `--scanner`. Raises UsageError when the file is not one, or is damaged."""
    if settings.scanner_path is None:
        return Calibration()
    path = Path(settings.scanner_path)
    record = load(path)
    return Calibration(path, record, record is not None and text_of(record) == _own_text(folder))


def finish(
    calibration: Calibration, folder: JobFolder, bed: Bed, observed: Bed | None, *, dpi: float, has_failed: bool
) -> tuple[Finding, ...]:
    """Write the file where there is none and the run saw the bed; hold the file against what the run saw.

    `bed` : what the placements stand on; `observed` : what this run's turned pieces show, where a file was used.
    Raises WriteError.
    """
    path, record = calibration.path, calibration.record
    if path is None or calibration.is_own:
        return ()
    if record is not None:
        return (*_other_dpi(record, dpi), *contradictions(record, observed))
    if bed.source not in OBSERVED or has_failed:
        return (_not_saved(has_seen=bed.source in OBSERVED),)
    made = record_of(bed, dpi=dpi, observed_at=datetime.now().date().isoformat(), job_name=folder.root.name)
    save(path, made)
    write_text_whole(_own_copy(folder), text_of(made))
    return (
        Finding(
            "scanner-saved",
            Severity.NOTE,
            f"The scanner's own shape was saved in {path.name}, to be used for the next painting.",
        ),
    )


def contradictions(record: ScannerRecord, observed: Bed | None) -> tuple[Finding, ...]:
    """A warning for each figure of the file that what was observed speaks against."""
    if observed is None or observed.source not in OBSERVED:
        return ()
    found = []
    off = observed.anisotropy - record.anisotropy
    if _is_apart(off, observed.sigma_anisotropy, record.sigma_anisotropy):
        found.append(
            _contradiction(f"a px is {100 * observed.anisotropy:+.3f} % wider than high", f"{100 * off:+.3f} %")
        )
    skew, own, other = (
        math.radians(v) for v in (observed.skew_deg - record.skew_deg, observed.sigma_skew_deg, record.sigma_skew_deg)
    )
    if observed.sigma_skew_deg > 0 and record.sigma_skew_deg > 0 and _is_apart(skew, own, other):
        found.append(
            _contradiction(f"its axes are {observed.skew_deg:+.3f}° off a right angle", f"{math.degrees(skew):+.3f}°")
        )
    return tuple(found)


def _is_apart(off: float, sigma: float, other_sigma: float) -> bool:
    return abs(off) > max(LEAST_CONTRADICTION, CONTRADICTION_SIGMAS * math.hypot(sigma, other_sigma))


def _contradiction(seen: str, off: str) -> Finding:
    return Finding(
        "scanner-contradicts",
        Severity.WARNING,
        f"The scanner file does not go with these scans: they show that {seen}, {off} from what the file says.",
        "Is it the file of this scanner? If the scanner changed, move the file away and run the same command again.",
    )


def _other_dpi(record: ScannerRecord, dpi: float) -> tuple[Finding, ...]:
    if abs(record.dpi / dpi - 1) <= SAME_DPI:
        return ()
    return (
        Finding(
            "scanner-other-dpi",
            Severity.NOTE,
            f"The scanner file was made at {record.dpi:g} dpi, these scans have {dpi:g}. Some scanners move otherwise "
            "at another resolution.",
            "Keep a scanner file for each resolution that you use.",
        ),
    )


def _not_saved(*, has_seen: bool) -> Finding:
    return Finding(
        "scanner-not-saved",
        Severity.NOTE,
        WHY_NOT[has_seen],
        "" if has_seen else "Turn one piece of a painting by a quarter, once; the file then serves for the next.",
    )


def _own_copy(folder: JobFolder) -> Path:
    return folder.work / "scanner.json"


def _own_text(folder: JobFolder) -> str | None:
    try:
        return _own_copy(folder).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return None
