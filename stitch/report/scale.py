"""The colours of the seam map: how visible a seam is, and which scan an area comes from.

Both sets were searched for in CIELAB so that neighbours stay apart for every kind of colour vision: the five seam
colours rise in lightness with the step, and the area tints differ from each other, under the simulations of
Machado, Oliveira and Fernandes, IEEE TVCG 15(6), 1291-1298, 2009, at full severity. Line width rises with the step
as well, so that the order survives a grey print.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class StepClass:
    """One class of seam visibility: from `from_de00` up to the next class."""

    from_de00: float
    colour: str  # #rrggbb
    width_px: float  # line width on a picture whose long side is 1600 px
    meaning: str


STEP_CLASSES = (
    StepClass(0.0, "#4f75c4", 2.8, "no"),
    StepClass(0.5, "#af8cc0", 3.4, "hardly"),
    StepClass(1.0, "#f7a1b1", 4.4, "if you look for it"),
    StepClass(2.0, "#f7d292", 5.6, "yes"),
    StepClass(4.0, "#fdf7d7", 7.0, "at once"),
)
"""Limits in ΔE2000: the project's own, no published figure exists for seams."""

UNKNOWN_STEP = StepClass(math.nan, "#8d9298", 2.8, "not measured")

TINTS = ("#025046", "#8a7381", "#4c480d", "#585087", "#578453")
"""Tints of the areas; neighbours never share one while five are enough."""

NO_SCAN_COLOUR = "#1b1d20"
CASING_COLOUR = "#0b0c0e"


def step_class(step_de00: float) -> StepClass:
    """The class a step belongs to; a step that is not a number is said to be not measured."""
    if not math.isfinite(step_de00):
        return UNKNOWN_STEP
    return [kind for kind in STEP_CLASSES if step_de00 >= kind.from_de00 or kind is STEP_CLASSES[0]][-1]


def range_words(kind: StepClass) -> str:
    """The range of a class in words, such as "0.5 to 1"."""
    if kind is UNKNOWN_STEP:
        return "unknown"
    index = STEP_CLASSES.index(kind)
    if index == 0:
        return f"under {STEP_CLASSES[1].from_de00:g}"
    if index == len(STEP_CLASSES) - 1:
        return f"{kind.from_de00:g} and more"
    return f"{kind.from_de00:g} to {STEP_CLASSES[index + 1].from_de00:g}"


def rgb(colour: str) -> tuple[int, int, int]:
    """#rrggbb as three numbers 0..255."""
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def tint_of_labels(labels: NDArray[np.uint8], scan_count: int) -> tuple[int, ...]:
    """For each scan (label 1, 2, ...) the index of its tint, chosen so that neighbours differ where possible."""
    near = _neighbours(labels, scan_count)
    chosen: list[int] = []
    for label in range(1, scan_count + 1):
        taken = [chosen[other - 1] for other in near[label] if other < label]
        counts = [(taken.count(tint), chosen.count(tint), tint) for tint in range(len(TINTS))]
        chosen.append(min(counts)[2])
    return tuple(chosen)


def _neighbours(labels: NDArray[np.uint8], scan_count: int) -> dict[int, set[int]]:
    near: dict[int, set[int]] = {label: set() for label in range(scan_count + 1)}
    for first, second in ((labels[:, :-1], labels[:, 1:]), (labels[:-1], labels[1:])):
        differ = first != second
        pairs = np.unique(np.stack([first[differ], second[differ]]), axis=1) if differ.any() else np.zeros((2, 0))
        for a, b in pairs.T.astype(int):
            if 0 < a <= scan_count and 0 < b <= scan_count:
                near[a].add(b)
                near[b].add(a)
    return near
