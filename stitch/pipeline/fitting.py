"""The tape measure decides the scale, when asked to.

Where no piece lay turned by a quarter nothing in the scans compares the scanner's two axes, and each is brought to the
tape by itself. Where turned pieces or a calibration tie the axes together, one common factor is fitted to both lengths,
and a tape that contradicts the axes is told. A tape is read to half a millimetre at best (common practice, no source),
so on small works turned pieces know the ratio of the axes better than it does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from stitch.errors import RegisterError, UsageError
from stitch.imaging.affine import FloatArray
from stitch.model.bed import Bed, BedSource
from stitch.model.findings import Finding, Severity
from stitch.model.settings import JoinSettings, Measured
from stitch.scans.wording import listed
from stitch.size.outline import Outline

MOST_CHANGE = 0.01  # a larger difference is a slip of the tape or a wrong resolution, not the scanner's shape
TAPE_SIGMA_MM = 0.5  # standard deviation of a length read off a tape; common practice, no source
CONTRADICTION_SIGMAS = 4.0
CORNERS = (
    " Whether its corners are true no length of a side shows: compare both diagonals with the painting's, or turn one "
    "piece by a quarter and scan it again."
)


@dataclass(frozen=True, slots=True)
class Fitted:
    """Factors across and down on top of the upright frame, the bed as it is known afterwards, what is to be said."""

    scale: tuple[float, float] | None
    bed: Bed
    findings: tuple[Finding, ...]

    @property
    def matrix(self) -> FloatArray:
        """Fitted upright px from upright px, (2, 3)."""
        across, down = self.scale or (1.0, 1.0)
        return np.array([[across, 0.0, 0.0], [0.0, down, 0.0]])


def require_lengths(settings: JoinSettings, *, has_ruler: bool) -> None:
    """Raise UsageError when the size is to be fitted without the lengths that it takes.

    `has_ruler` : a distance between two places was read off a ruler.
    """
    if not settings.fit_size:
        return
    if not has_tape(settings) and not has_ruler:
        raise UsageError(
            "--fit-size needs both --width and --height, or a distance that was read off a ruler.",
            advice="Measure both sides with the tape, edge to edge; or give two places and what a ruler says between "
            "them: stitch ties JOB --distance.",
        )
    if has_tape(settings) and settings.measured is Measured.PAINT:
        raise UsageError(
            "--fit-size needs the size of the whole sheet, not of the painted part.",
            advice="Measure the sheet from edge to edge and leave --measured away.",
        )


def has_tape(settings: JoinSettings) -> bool:
    """Both sides were measured."""
    return settings.width_mm is not None and settings.height_mm is not None


def fit_size(outline: Outline, px_per_mm: float, bed: Bed, settings: JoinSettings, *, is_tied: bool) -> Fitted:
    """Bring the master's size to the tape's.

    Parameters
    ----------
    outline : the painting in the upright frame, `px_per_mm` to the mm by the scans' resolution.
    bed : its shape as known so far.
    is_tied : some pieces lie turned by a quarter against the others, so that one axis cannot move without the other.

    Raises RegisterError when a side would have to change by more than `MOST_CHANGE`.
    """
    if not settings.fit_size or settings.width_mm is None or settings.height_mm is None:
        return Fitted(None, bed, ())
    hidden = [line.side.value for line in outline.sides if not line.is_safe_to_crop]
    if hidden:
        return Fitted(None, bed, (_not_certain(hidden),))
    measured = _lengths_mm(outline, px_per_mm)
    tape = _tape(measured, settings)
    wanted = np.array(tape) / measured
    if bed.source is BedSource.UNKNOWN and not is_tied:
        scale = float(wanted[0]), float(wanted[1])
        return Fitted(scale, _bed_by_tape(bed, scale, tape), (_told(scale, measured, tape, CORNERS),))
    common = float(np.dot(tape, measured) / np.dot(measured, measured))
    scale = common, common
    found = replace(bed, scale=bed.scale * common)
    return Fitted(scale, found, (_told(scale, measured, tape), *_contradiction(wanted, tape, bed)))


def _lengths_mm(outline: Outline, px_per_mm: float) -> FloatArray:
    """Width and height: the mean of opposite sides."""
    top_left, top_right, bottom_right, bottom_left = outline.corners_px
    width = np.hypot(*(top_right - top_left)) + np.hypot(*(bottom_right - bottom_left))
    height = np.hypot(*(bottom_left - top_left)) + np.hypot(*(bottom_right - top_right))
    return np.array([width, height]) / (2 * px_per_mm)


def _tape(measured: FloatArray, settings: JoinSettings) -> tuple[float, float]:
    """The lengths that belong to the upright frame's width and height.

    They are given as the master lies, after `--up`; when only the other order fits, they were given swapped.
    """
    assert settings.width_mm is not None and settings.height_mm is not None
    plain = settings.width_mm, settings.height_mm
    if settings.up_deg % 180:
        plain = plain[::-1]
    for order in (plain, plain[::-1]):
        if (np.abs(np.array(order) / measured - 1) <= MOST_CHANGE).all():
            return order
    raise RegisterError(
        f"The tape does not fit: by the scans' resolution the painting measures {measured[0]:.1f} × {measured[1]:.1f} "
        f"mm, the tape says {plain[0]:.1f} × {plain[1]:.1f} mm. --fit-size changes a side by "
        f"{100 * MOST_CHANGE:g} % at most.",
        advice="Measure again with the tape, edge to edge of the sheet. If it was right, the scans do not have the "
        "resolution that they state.",
    )


def _bed_by_tape(bed: Bed, scale: tuple[float, float], tape: tuple[float, float]) -> Bed:
    across, down = scale
    return replace(
        bed,
        source=BedSource.TAPE,
        anisotropy=(1 + bed.anisotropy) * across / down - 1,
        scale=bed.scale * math.sqrt(across * down),
        sigma_anisotropy=_ratio_sigma(tape),
    )


def _ratio_sigma(tape: tuple[float, float]) -> float:
    return math.hypot(TAPE_SIGMA_MM / tape[0], TAPE_SIGMA_MM / tape[1])


def _told(scale: tuple[float, float], measured: FloatArray, tape: tuple[float, float], more: str = "") -> Finding:
    across, down = (100 * (factor - 1) for factor in scale)
    how = f"by {across:+.3f} %" if across == down else f"by {across:+.3f} % across and {down:+.3f} % down"
    return Finding(
        "size-fitted",
        Severity.NOTE,
        f"The master's size was brought to the tape's: from {measured[0]:.1f} × {measured[1]:.1f} mm to "
        f"{tape[0]:.1f} × {tape[1]:.1f} mm, {how}.",
        "The master is as right as the tape was; comparing it with the same tape proves nothing now." + more,
    )


def _not_certain(hidden: list[str]) -> Finding:
    return Finding(
        "size-not-fitted",
        Severity.FAILED,
        f"The size could not be brought to the tape's: the painting's {listed(hidden)} "
        f"{'edge is' if len(hidden) == 1 else 'edges are'} not certain. The master keeps the scanner's own scale.",
        "Let a little of the lid show around the painting when you scan, or leave --fit-size away.",
    )


def _contradiction(wanted: FloatArray, tape: tuple[float, float], bed: Bed) -> tuple[Finding, ...]:
    off = math.log(wanted[0] / wanted[1])
    if abs(off) <= CONTRADICTION_SIGMAS * math.hypot(_ratio_sigma(tape), bed.sigma_anisotropy):
        return ()
    known = {
        BedSource.TURNED_PIECES: "what the turned pieces show",
        BedSource.FILE: "the scanner file",
    }.get(bed.source, "how the turned pieces lie")
    return (
        Finding(
            "tape-contradicts",
            Severity.WARNING,
            f"The tape's width and height do not go with {known}: their ratio is {100 * abs(off):.2f} % off. "
            "The master was brought to both as well as one common scale can.",
            "Measure both sides again with the tape.",
        ),
    )
