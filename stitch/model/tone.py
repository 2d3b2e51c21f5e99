"""How the tone of each scan is brought to that of the reference scan."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class LightField:
    """How the light of one scan is evened out: a factor for each place, given as a uniform cubic B-spline lattice.

    The factor at scan px p is exp of the sum of 4 × 4 coefficients times the spline weights, as for
    `LocalCorrection`. It never exceeds 1, so that evening out alone never clips; the scan's gain makes up for it.
    """

    step_px: tuple[float, float]  # between knots along x and y, scan px
    log_rgb: tuple[tuple[tuple[float, ...], ...], ...]  # coefficients (3, rows, columns)


@dataclass(frozen=True, slots=True)
class ScanTone:
    """out = (gain × field × linear + offset) per channel, in linear light of the scans' profile, 0..1.

    Identity is gain (1, 1, 1), offset (0, 0, 0) and no field exactly; then pixels are not touched at all.
    """

    scan_id: str
    gain_rgb: tuple[float, float, float]
    offset_rgb: tuple[float, float, float]
    field: LightField | None = None  # applied before gain and offset, by `tone.evened`

    @property
    def is_identity(self) -> bool:
        """True when the scan keeps its pixels."""
        return self.field is None and self.gain_rgb == (1.0, 1.0, 1.0) and self.offset_rgb == (0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Evenness:
    """That the light of the scans was evened out, and what it is worth on cells the fit had not seen."""

    before_l: float  # typical difference of lightness in overlaps, L*, by gains and offsets alone
    after_l: float
    largest_percent: float  # by how much light is changed at most between two places of one scan
    is_ramp_known: bool  # scans lay turned to each other, so that a slope of light over the bed could be seen


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
    evenness: Evenness | None = None  # None where gains and offsets explain the overlaps

    def scan(self, scan_id: str) -> ScanTone:
        """The tone of one scan. Raises KeyError when unknown."""
        for tone in self.scans:
            if tone.scan_id == scan_id:
                return tone
        raise KeyError(scan_id)
