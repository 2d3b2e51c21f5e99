"""How the tone of each scan is brought to that of the reference scan."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ScanTone:
    """out = (gain × linear + offset) per channel, in linear light of the scans' profile, 0..1.

    Identity is gain (1, 1, 1) and offset (0, 0, 0) exactly; then pixels are not touched at all.
    """

    scan_id: str
    gain_rgb: tuple[float, float, float]
    offset_rgb: tuple[float, float, float]

    @property
    def is_identity(self) -> bool:
        """True when the scan keeps its pixels."""
        return self.gain_rgb == (1.0, 1.0, 1.0) and self.offset_rgb == (0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class PairTone:
    """Difference of tone over one overlap, ΔE2000 of low-passed samples, before and after the match."""

    scan_a: str
    scan_b: str
    sample_count: int
    mean_before_de00: float
    mean_after_de00: float


@dataclass(frozen=True, slots=True)
class ToneFit:
    """The tone of all scans."""

    reference_id: str
    scans: tuple[ScanTone, ...]
    pairs: tuple[PairTone, ...]
    common_scale: float  # 1.0, or less when everything was scaled so that no white is clipped
    encoding_name: str  # the curve the arithmetic was done in

    def scan(self, scan_id: str) -> ScanTone:
        """The tone of one scan. Raises KeyError when unknown."""
        for tone in self.scans:
            if tone.scan_id == scan_id:
                return tone
        raise KeyError(scan_id)
