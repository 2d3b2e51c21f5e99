"""How the tone of each scan is brought to that of the reference scan."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from stitch.model.settings import ToneMatch


@dataclass(frozen=True, slots=True)
class LightField:
    """How the light of one scan is evened out: a factor for each place, given as a uniform cubic B-spline lattice.

    The factor at scan px p is exp of the sum of 4 × 4 coefficients times the spline weights, as for
    `LocalCorrection`. It never exceeds 1, so that evening out alone never clips; the scan's table makes up for it by
    `top_rgb`, so that gains are of a field that averages 1 over the reference.
    """

    step_px: tuple[float, float]  # between knots along x and y, scan px
    log_rgb: tuple[tuple[tuple[float, ...], ...], ...]  # coefficients (3, rows, columns)
    top_rgb: tuple[float, float, float] = (1.0, 1.0, 1.0)


@dataclass(frozen=True, slots=True)
class ScanTone:
    """out = gain × (field × linear)^gamma + offset per channel, in linear light of the scans' profile, 0..1.

    Identity is gain 1, gamma 1, offset 0 and no field exactly; then pixels are not touched at all.
    """

    scan_id: str
    gain_rgb: tuple[float, float, float]
    offset_rgb: tuple[float, float, float]
    field: LightField | None = None  # applied first, by `tone.evened`
    gamma_rgb: tuple[float, float, float] = (1.0, 1.0, 1.0)

    @property
    def is_identity(self) -> bool:
        """True when the scan keeps its pixels."""
        return self.field is None and not self.has_match

    @property
    def has_match(self) -> bool:
        """True when the scan as a whole is given another tone."""
        return (
            self.gain_rgb != (1.0, 1.0, 1.0) or self.gamma_rgb != (1.0, 1.0, 1.0) or self.offset_rgb != (0.0, 0.0, 0.0)
        )


@dataclass(frozen=True, slots=True)
class Evenness:
    """That the light of the scans was evened out, and what it is worth on cells the fit had not seen."""

    before_l: float  # typical difference of lightness in overlaps, L*, by gains and offsets alone
    after_l: float
    largest_percent: float  # by how much light is changed at most between two places of one scan
    reference_percent: float  # the same for the scan that sets the tone


class SlopeSource(StrEnum):
    """What tells a slope of the light over the whole bed from scans of unequal exposure."""

    UNKNOWN = "unknown"  # all scans lay the same way round: nothing does
    TURNED_PIECES = "turned-pieces"
    FLAT = "flat"  # a scan of a white sheet


@dataclass(frozen=True, slots=True)
class FlatUse:
    """The scan of a white sheet that the fall-off of the bed was taken from."""

    file_name: str
    sha256: str
    largest_percent: float  # by how much its light differs at most between two places


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
    evenness: Evenness | None = None  # None where one tone for all of a scan explains the overlaps
    how: ToneMatch = ToneMatch.FULL
    flat: FlatUse | None = None
    slope_source: SlopeSource = SlopeSource.UNKNOWN
    gain_slope_percent: float = 0.0  # how much the gains rise from one end of the painting to the other
    held_slope_percent: float = 0.0  # slope over the bed taken for the cause of gains that rise, though not observable

    def scan(self, scan_id: str) -> ScanTone:
        """The tone of one scan. Raises KeyError when unknown."""
        for tone in self.scans:
            if tone.scan_id == scan_id:
                return tone
        raise KeyError(scan_id)
