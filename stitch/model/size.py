"""The painting's physical size, found in the master, against the tape measure."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Edge:
    """One side of the painting as found: a line through canvas px, or not in view."""

    side: str  # "left", "right", "top", "bottom"
    is_in_view: bool
    start_px: tuple[float, float] | None  # ends of the fitted line, canvas px
    end_px: tuple[float, float] | None
    sigma_px: float | None  # uncertainty of the line's position
    evidence: str  # "lid", "shadow", ...: what the edge was found by; why not, when it was not


@dataclass(frozen=True, slots=True)
class SizeReading:
    """One measured length against what was declared."""

    name: str  # "width top", "width bottom", "height left", "height right", "diagonal \\", "diagonal /"
    measured_mm: float
    uncertainty_mm: float
    expected_mm: float | None
    tolerance_mm: float | None
    is_ok: bool | None  # None when nothing was declared for it


@dataclass(frozen=True, slots=True)
class SizeCheck:
    """All of the size check."""

    ppi: float
    edges: tuple[Edge, ...]
    readings: tuple[SizeReading, ...]
    squareness_deg: float | None  # worst corner's departure from 90°
    is_swapped: bool  # width and height were declared the other way round (named, not failed)
    scale_error_percent: float | None  # mean of measured ÷ declared − 1, in %
    published_figures: tuple[str, ...]  # plain sentences on the published reproduction-scale figures it meets
