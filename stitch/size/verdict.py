"""Measured lengths against the tape measure, and the published figures for reproduction scale."""

from __future__ import annotations

from dataclasses import dataclass, replace

from stitch.model.size import SizeReading

LEAST_TOLERANCE_MM = 1.0  # the project's own
TOLERANCE_FRACTION = 0.0025  # the project's own
TAPE_MM = 1.0  # reading a tape measure; common practice, no source

# Reproduction scale accuracy, ±%: FADGI, Technical Guidelines for Digitizing Cultural Heritage Materials, 2016,
# “Paintings and Other Two-Dimensional Art” (provisional).
FADGI_2016_PERCENT = {4: 1.0, 3: 2.0, 2: 3.0, 1: 3.0}
# FADGI, 3rd edition, May 2023: difference from the resolution in the file header; as transcribed by others.
FADGI_2023_PERCENT = {4: 1.0, 3: 2.0, 2: 3.0}


@dataclass(frozen=True, slots=True)
class Length:
    """One measured length: "width" or "height" is what the tape speaks of, "" for a diagonal."""

    name: str
    axis: str
    measured_mm: float
    uncertainty_mm: float


def tolerance_for(expected_mm: float, tolerance_mm: float | None) -> float:
    """The larger of 1 mm and 0.25 %, plus 1 mm for the tape; or what was asked for."""
    if tolerance_mm is not None:
        return tolerance_mm
    return max(LEAST_TOLERANCE_MM, TOLERANCE_FRACTION * expected_mm) + TAPE_MM


def judged(
    lengths: list[Length], width_mm: float | None, height_mm: float | None, tolerance_mm: float | None
) -> tuple[tuple[SizeReading, ...], bool]:
    """Readings against the declared size, and whether width and height were declared the other way round.

    They are taken as swapped only when the declared order fails and the other order passes for all lengths.
    """
    plain = _readings(lengths, width_mm, height_mm, tolerance_mm)
    if width_mm is None or height_mm is None or not _fails(plain):
        return plain, False
    swapped = _readings(lengths, height_mm, width_mm, tolerance_mm)
    return (swapped, True) if not _fails(swapped) else (plain, False)


def scale_error_percent(readings: tuple[SizeReading, ...]) -> float | None:
    """Mean of measured ÷ declared − 1, in %; None when nothing was declared."""
    errors = _errors(readings)
    return sum(errors) / len(errors) if errors else None


def published_figures(readings: tuple[SizeReading, ...]) -> tuple[str, ...]:
    """Plain sentences on the published reproduction-scale figures that the worst length meets."""
    errors = _errors(readings)
    if not errors:
        return ()
    worst = max(abs(error) for error in errors)
    rows = (
        ("FADGI 2016, Paintings and Other Two-Dimensional Art", FADGI_2016_PERCENT),
        ("FADGI 3rd edition, 2023 (known from transcriptions)", FADGI_2023_PERCENT),
    )
    said = tuple(_sentence(worst, source, limits) for source, limits in rows)
    return (*said, "These figures are shown for orientation; the check itself uses the tolerance stated beside it.")


def _sentence(worst: float, source: str, limits: dict[int, float]) -> str:
    met = [stars for stars, limit in limits.items() if worst <= limit]
    opening = f"The largest difference from the tape measure is {worst:.2f} %: it"
    if not met:
        return f"{opening} meets no figure for reproduction scale in {source}."
    best = max(met)
    return f"{opening} meets the {best}-star figure for reproduction scale (±{limits[best]:g} %) in {source}."


def _readings(
    lengths: list[Length], width_mm: float | None, height_mm: float | None, tolerance_mm: float | None
) -> tuple[SizeReading, ...]:
    declared = {"width": width_mm, "height": height_mm}
    found = []
    for length in lengths:
        reading = SizeReading(length.name, length.measured_mm, length.uncertainty_mm, None, None, None)
        expected = declared.get(length.axis)
        if expected is not None:
            tolerance = tolerance_for(expected, tolerance_mm)
            is_ok = abs(length.measured_mm - expected) <= tolerance
            reading = replace(reading, expected_mm=expected, tolerance_mm=tolerance, is_ok=is_ok)
        found.append(reading)
    return tuple(found)


def _fails(readings: tuple[SizeReading, ...]) -> bool:
    return any(reading.is_ok is False for reading in readings)


def _errors(readings: tuple[SizeReading, ...]) -> list[float]:
    return [100 * (r.measured_mm / r.expected_mm - 1) for r in readings if r.expected_mm]
