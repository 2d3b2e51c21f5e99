"""What a run of `join` was asked for."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Measured(StrEnum):
    """What the tape was laid on."""

    SHEET = "sheet"
    PAINT = "paint"


class Resample(StrEnum):
    """How pixels are read between pixels."""

    USUAL = "usual"  # cubic convolution
    FINE = "fine"  # a longer kernel: straighter and more true to fine detail, some five times slower


class Compression(StrEnum):
    """How the pixels of a TIFF are packed, always without loss."""

    NONE = "none"  # opens everywhere
    DEFLATE = "deflate"
    ZSTD = "zstd"  # fast, but unknown to older programs
    LZW = "lzw"  # opens nearly everywhere; noisy 16-bit pictures grow


class ToneMatch(StrEnum):
    """How much the tone of the scans is brought together."""

    NONE = "none"  # codes stay as scanned
    GAIN = "gain"  # one factor a channel for each scan
    FULL = "full"  # black level and gamma where the overlaps show them, light evened out within the scans


@dataclass(frozen=True, slots=True)
class JoinSettings:
    """The settings that travel to the rooms; each room is handed only the few it reads."""

    width_mm: float | None = None
    height_mm: float | None = None
    measured: Measured = Measured.SHEET
    tolerance_mm: float | None = None  # None: max(1 mm, 0.25 %) plus the tape's 1 mm
    dpi: float | None = None  # master's resolution; None: that of the scans
    scan_dpi: float | None = None  # for files that state none
    allow_enlarge: bool = False
    up_deg: int = 0
    tone: ToneMatch = ToneMatch.FULL
    tone_reference: str | None = None
    flat_path: str | None = None  # a scan of a clean white sheet, for the fall-off of the bed; "" as None
    plan_path: str | None = None  # of the plan; "": none, even where one lies beside the scans
    profile_path: str | None = None  # a profile to assign
    memory_mb: int = 1000
    jobs: int = 0  # threads; 0: as many as cores
    title: str = ""
    creator: str = ""
    rights: str = ""
    scanner_path: str | None = None  # the calibration of the bed: read when it is there, else written
    fit_size: bool = False  # let the tape measure decide the scale of each axis
    allow_gaps: bool = False  # make a master although part of the painting is in no scan
    compression: Compression = Compression.NONE
    resample: Resample = Resample.USUAL
    layers: bool = False  # every scan on the master's canvas, with a mask of what the master uses of it
