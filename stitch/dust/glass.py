"""Dust on the glass at full resolution: what several scans show at one place of the bed, whatever lay there.

Every scan's contrast is measured in units of what is usual around it and added up on the bed, for places that a number
of scans show darker (or lighter) than their surroundings, alike in shape. How strong such a sum must be is told by the
same scans rolled against each other at random: so strong that chance would make no more than one in twenty of what is
found (a permutation test: Good, Permutation, Parametric and Bootstrap Tests, 3rd ed., 2005). Stippled paint agrees by
chance more often than plain paint, and raises the bar for itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.dust.contrast import Plane, contrast, grey_of, margin_px, usual
from stitch.dust.shapes import PIECE_MM, REACH_MM, small_patches
from stitch.imaging.affine import px_from_mm
from stitch.imaging.spots import Capsule, capsule, pieces
from stitch.imaging.windows import blocks
from stitch.model.geometry import Size, Window
from stitch.model.scans import PixelSource
from stitch.progress import SILENT, Progress

MIN_SCANS = 3
SHOWS_Z = 1.5  # usual deviations
MOST_Z = 8.0  # one scan counts no more than this
LEAST_MEAN_Z = 2.2
LEAST_STRENGTH = 0.7  # weaker ones are left to what fewer scans show
ROLLS = 3
LEAST_ROLL_PX = 15
FALSE_SHARE = 0.05
LEAST_PX = 3
SIDE_PX = 1024
BESIDE_PX = 2  # around a patch, where its shape is compared
CARRIAGE_PX = 1  # what the carriage may move a place by from scan to scan


@dataclass(frozen=True, slots=True)
class OnGlass:
    """Something on the glass: px of the bed as the scans show it, and how many scans show it."""

    place: Capsule
    scan_count: int
    strength: float  # mean deviations over the scans that show it, times their likeness


@dataclass(frozen=True, slots=True)
class _Found:
    count: int
    strength: float
    places: tuple[Capsule, ...] = ()


def find_on_glass(
    sources: Mapping[str, PixelSource], ppi: float, *, seed: int = 0, progress: Progress = SILENT
) -> tuple[OnGlass, ...]:
    """Everything on the glass; nothing with fewer than three scans. `sources` : scans of one resolution, `ppi`."""
    if len(sources) < MIN_SCANS:
        return ()
    size = Size(
        min(source.size.width_px for source in sources.values()),
        min(source.size.height_px for source in sources.values()),
    )
    margin = margin_px(ppi) + round(px_from_mm(REACH_MM, ppi))
    rng = np.random.default_rng(seed)
    true: list[_Found] = []
    chance: list[_Found] = []
    with progress.task("Looking for dust on the glass", size.megapixels) as task:
        for block in blocks(size.window(), SIDE_PX, SIDE_PX):
            around = block.grown(margin).clipped(size)
            stack = np.stack([_deviations(source.read(around), ppi) for source in sources.values()])
            true += _coincidences(stack, around, block, ppi, has_places=True)
            for _ in range(ROLLS):
                chance += _coincidences(_rolled(stack, rng), around, block, ppi, has_places=False)
            task.advance(block.width_px * block.height_px / 1e6)
    least = _least_strengths(true, chance, len(sources))
    return tuple(
        OnGlass(place, one.count, one.strength)
        for one in true
        if one.strength >= least[one.count]
        for place in one.places
    )


def _deviations(codes: NDArray[np.uint8] | NDArray[np.uint16], ppi: float) -> Plane:
    detail = contrast(grey_of(codes), ppi)
    return detail / usual(detail, ppi)


def _rolled(stack: Plane, rng: np.random.Generator) -> Plane:
    return np.stack([np.roll(one, [_roll(length, rng) for length in one.shape], (0, 1)) for one in stack])


def _roll(length: int, rng: np.random.Generator) -> int:
    return int(rng.integers(LEAST_ROLL_PX, max(length - LEAST_ROLL_PX, LEAST_ROLL_PX + 1)))


def _coincidences(stack: Plane, around: Window, block: Window, ppi: float, *, has_places: bool) -> list[_Found]:
    """Patches, in the block, that at least two scans show in the same sense.

    Looked for among the places that all scans show, then among those that one scan less shows and so on: a patch does
    not run into what fewer scans show beside it.
    """
    found: list[_Found] = []
    kernel = np.ones((2 * CARRIAGE_PX + 1,) * 2, np.uint8)
    for sign in (-1, 1):
        each = np.stack([cv2.dilate(np.clip(sign * one, 0, MOST_Z), kernel) for one in stack])
        shows = each > SHOWS_Z
        count: NDArray[np.uint8] = shows.sum(axis=0, dtype=np.uint8)
        mean = np.where(shows, each, 0).sum(axis=0) / np.maximum(count, 1)
        strong = mean > LEAST_MEAN_Z
        taken = np.zeros(count.shape, bool)
        for level in range(len(stack), 1, -1):
            beside = cv2.dilate(taken.astype(np.uint8), np.ones((2 * BESIDE_PX + 1,) * 2, np.uint8)) > 0
            for columns, rows in small_patches((count >= level) & strong & ~beside, ppi, least_px=LEAST_PX):
                best = int(mean[rows, columns].argmax())
                showing = stack[shows[:, rows[best], columns[best]]]
                strength = float(mean[rows[best], columns[best]]) * _likeness(showing, columns, rows)
                if strength < LEAST_STRENGTH:
                    continue
                taken[rows, columns] = True
                x, y = columns.mean() + around.x0_px, rows.mean() + around.y0_px
                if block.x0_px <= x < block.x1_px and block.y0_px <= y < block.y1_px:
                    places = _places(columns + around.x0_px, rows + around.y0_px, ppi) if has_places else ()
                    found.append(_Found(level, strength, places))
    return found


def _likeness(stack: Plane, columns: NDArray[np.intp], rows: NDArray[np.intp]) -> float:
    """How alike the scans are in and just around a patch, 0..1: mean correlation of every two.

    What lies on the glass has the same shape in all; drops that meet by chance do not.
    """
    top, left = max(0, rows.min() - BESIDE_PX), max(0, columns.min() - BESIDE_PX)
    near = stack[:, top : rows.max() + BESIDE_PX + 1, left : columns.max() + BESIDE_PX + 1]
    mask = np.zeros(near.shape[1:], np.uint8)
    mask[rows - top, columns - left] = 1
    near = near[:, cv2.dilate(mask, np.ones((2 * BESIDE_PX + 1,) * 2, np.uint8)) > 0]
    unit = near / np.maximum(np.sqrt((near * near).sum(axis=1, keepdims=True)), 1e-6)
    together = float((unit.sum(axis=0) ** 2).sum())
    return max(0.0, (together - len(stack)) / (len(stack) * (len(stack) - 1)))


def _places(columns: NDArray[np.intp], rows: NDArray[np.intp], ppi: float) -> tuple[Capsule, ...]:
    square = max(2, round(px_from_mm(PIECE_MM, ppi)))
    found = (capsule(x, y) for x, y in pieces(columns, rows, square))
    return tuple(replace(one, width=max(1.0, one.width - 2 * CARRIAGE_PX)) for one in found)


def _least_strengths(true: list[_Found], chance: list[_Found], scan_count: int) -> dict[int, float]:
    """For every number of scans that agree, the least strength at which chance is a small enough share."""
    least = {}
    for count in range(2, scan_count + 1):
        real = np.sort([one.strength for one in true if one.count == count])
        by_chance = np.sort([one.strength for one in chance if one.count == count])
        least[count] = _least(real, by_chance)
    return least


def _least(real: NDArray[np.float64], by_chance: NDArray[np.float64]) -> float:
    for strength in real:
        more = len(real) - np.searchsorted(real, strength)
        false = (len(by_chance) - np.searchsorted(by_chance, strength)) / ROLLS
        if false <= FALSE_SHARE * more:
            return float(strength)
    return float("inf")
