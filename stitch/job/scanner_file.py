"""The calibration of a scanner's bed: a small JSON file that a painter keeps for the next painting.

It holds the linear shape that all scans of one scanner share (see `Bed`), how surely and how it was observed, when, at
which resolution and in which job. A file is written only where there is none, so nothing is ever replaced by it.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from stitch import __version__
from stitch.errors import UsageError, WriteError
from stitch.job.whole import part_path, write_text_whole
from stitch.model.bed import Bed, BedSource
from stitch.model.codec import from_plain, to_plain

KIND = "stitch scanner"
SCHEMA = 1
LIMITS = {"anisotropy": 0.02, "skew_deg": 1.0, "sigma_anisotropy": 0.02, "sigma_skew_deg": 1.0}
SCALE_LIMIT = 0.02  # how far from 1 a scale may be
OBSERVED = (BedSource.TURNED_PIECES, BedSource.TAPE)


@dataclass(frozen=True, slots=True)
class ScannerRecord:
    """What the file says. `observed_by` is `turned-pieces` or `tape`; the other figures are those of `Bed`."""

    anisotropy: float
    skew_deg: float
    scale: float
    sigma_anisotropy: float
    sigma_skew_deg: float
    observed_by: BedSource
    observed_at: str  # ISO 8601 date
    dpi: float
    job_name: str
    kind: str = KIND
    schema: int = SCHEMA
    tool_version: str = __version__

    @property
    def bed(self) -> Bed:
        """The shape, known from a file."""
        return Bed(
            source=BedSource.FILE,
            anisotropy=self.anisotropy,
            skew_deg=self.skew_deg,
            scale=self.scale,
            sigma_anisotropy=self.sigma_anisotropy,
            sigma_skew_deg=self.sigma_skew_deg,
        )


def record_of(bed: Bed, *, dpi: float, observed_at: str, job_name: str) -> ScannerRecord:
    """The record of a bed that a run observed."""
    return ScannerRecord(
        anisotropy=bed.anisotropy,
        skew_deg=bed.skew_deg,
        scale=bed.scale,
        sigma_anisotropy=bed.sigma_anisotropy,
        sigma_skew_deg=bed.sigma_skew_deg,
        observed_by=bed.source,
        observed_at=observed_at,
        dpi=dpi,
        job_name=job_name,
    )


def text_of(record: ScannerRecord) -> str:
    """The content of the file."""
    return json.dumps(to_plain(record), ensure_ascii=False, indent=1) + "\n"


def load(path: Path) -> ScannerRecord | None:
    """Read a calibration; None when there is no file. Raises UsageError when it is not one, or is damaged."""
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        _require_folder(path)
        return None
    except UnicodeDecodeError as error:
        raise _foreign(path) from error
    except OSError as error:
        raise UsageError(f"The scanner file {path} could not be read: {error.strerror or error}.") from error
    return _parsed(text, path)


def save(path: Path, record: ScannerRecord) -> None:
    """Write a calibration whole, where there is no file yet. Raises WriteError."""
    for taken in (path, part_path(path)):
        if taken.exists() or taken.is_symlink():
            raise WriteError(
                f"{taken} came to be during the run; the scanner's shape was not written over it.",
                advice="Name another file with --scanner and run the same command again.",
            )
    write_text_whole(path, text_of(record))


def _parsed(text: str, path: Path) -> ScannerRecord:
    try:
        plain = json.loads(text)
    except ValueError as error:
        raise _foreign(path) from error
    if not isinstance(plain, dict) or plain.get("kind") != KIND:
        raise _foreign(path)
    if plain.get("schema") != SCHEMA:
        raise UsageError(
            f"The scanner file {path} was written by another version of stitch.",
            advice="Move it away and let a painting with a piece turned by a quarter make it again.",
        )
    try:
        record = from_plain(ScannerRecord, plain)
    except (KeyError, TypeError, ValueError) as error:
        raise _damaged(path) from error
    if not _is_sane(record):
        raise _damaged(path)
    return record


def _is_sane(record: ScannerRecord) -> bool:
    values: dict[str, Any] = {name: getattr(record, name) for name in LIMITS}
    is_within = all(math.isfinite(value) and abs(value) <= LIMITS[name] for name, value in values.items())
    is_within &= math.isfinite(record.scale) and abs(record.scale - 1) <= SCALE_LIMIT
    is_within &= math.isfinite(record.dpi) and record.dpi > 0
    return is_within and record.sigma_anisotropy > 0 and record.sigma_skew_deg >= 0 and record.observed_by in OBSERVED


def _require_folder(path: Path) -> None:
    if not path.parent.is_dir():
        raise UsageError(
            f"The scanner file cannot be kept in {path.parent}: there is no such folder.",
            advice="Make the folder, or name another place with --scanner.",
        )


def _foreign(path: Path) -> UsageError:
    return UsageError(
        f"{path} is not a scanner file of stitch.",
        advice="Name one that stitch wrote, or a file that is not there yet: then it is written.",
    )


def _damaged(path: Path) -> UsageError:
    return UsageError(
        f"The scanner file {path} is damaged: a figure in it is missing or cannot be right.",
        advice="Move it away; it is written again by the next painting with a piece turned by a quarter.",
    )
