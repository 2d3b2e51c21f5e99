"""Dust on the glass at full resolution: what several scans show at one place of the bed, whatever lay there.

How well the scans agree (`agreement.py`) is told for every pixel; patches of pixels that agree are as strong as their
best pixel, times how alike the scans show them. How strong that must be is told by the same scans rolled against each
other at random: so strong that chance would make no more than one in 25 of what is found (a permutation test: Good,
Permutation, Parametric and Bootstrap Tests, 3rd ed., 2005). Stippled paint agrees by chance more often than plain
paint, and raises the bar for itself.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.dust.agreement import CARRIAGE_PX, Evidence, Views, evidence, likeness
from stitch.dust.contrast import margin_px
from stitch.dust.shapes import PIECE_MM, REACH_MM, small_patches
from stitch.imaging.affine import px_from_mm
from stitch.imaging.at_once import AtOnce, at_once, each_block
from stitch.imaging.spots import Capsule, Pixels, capsules, pieces
from stitch.model.geometry import Size, Window
from stitch.model.scans import PixelSource
from stitch.progress import SILENT, Progress

MIN_SCANS = 3
LEVELS = (40.0, 30.0, 22.0, 17.0, 13.0, 10.0)  # of evidence at which patches are looked for, strongest first
LEAST_STRENGTH = 10.0  # log-likelihood ratio; what is weaker may be chance anywhere on a bed
SURE = 25.0  # stronger patches are dust whatever chance makes, and take no part in it
ROLLS, ROLLED_MP = 5, 20.0  # at the most, and megapixels of the bed that are rolled all in all; once at the least
LEAST_ROLL_PX = 15
FALSE_SHARE = 0.04
LEAST_PX = 2
LIKE_POWER = 2
BYTES_A_SCAN_PX = 34  # of a block and what is looked at around it: planes, the same without what is sure, and rolled
BYTES_A_PX = 60  # of a block with all its margin, while one scan is read
USUAL_FREE_MB = 800.0
GROWS_PX, GROWS_FROM = 4, 3.0  # around a patch that is found, and the evidence that joins it
TOUCHES_PX = 2  # apart are the parts of one hair
CLASSES = (2, 3, 4)  # of how many scans show a speck; the last with all that are more
BESIDE_PX = 2  # of a patch that is found already nothing else is looked for


@dataclass(frozen=True, slots=True)
class OnGlass:
    """Something on the glass: px of the bed as the scans show it, and how many scans show it."""

    place: Capsule
    scan_count: int
    strength: float  # of the evidence, times the likeness of what the scans show

    @property
    def is_sure(self) -> bool:
        """Shown by more than two scans, and so strongly that no chance comes near."""
        return _is_sure(self.strength, self.scan_count)


@dataclass(frozen=True, slots=True)
class _Found:
    count: int
    strength: float
    pixels: Pixels  # of the bed


def find_on_glass(
    sources: Mapping[str, PixelSource],
    ppi: float,
    *,
    free_mb: float = USUAL_FREE_MB,
    seed: int = 0,
    progress: Progress = SILENT,
) -> tuple[OnGlass, ...]:
    """Everything on the glass; nothing with fewer than three scans.

    sources : scans of one resolution, `ppi`. free_mb : memory that may be taken.
    """
    if len(sources) < MIN_SCANS:
        return ()
    size = Size(
        min(source.size.width_px for source in sources.values()),
        min(source.size.height_px for source in sources.values()),
    )
    rolls = min(ROLLS, max(1, round(ROLLED_MP / size.megapixels)))
    how = _at_once(len(sources), ppi, free_mb)
    scans = list(sources.values())
    true: list[_Found] = []
    chance: list[_Found] = []
    with progress.task("Looking for dust on the glass", size.megapixels) as task:
        for found, rolled in each_block(
            size.window(), how, lambda block: _in_block(scans, block, size, ppi, rolls, seed), task
        ):
            true += found
            chance += rolled
    least = {most: _least(_strengths(true, most), _strengths(chance, most), rolls) for most in CLASSES}
    proven = [one for one in true if one.strength >= least[min(one.count, CLASSES[-1])]]
    return tuple(
        OnGlass(place, max(one.count for one in group), max(one.strength for one in group))
        for group in _together(proven)
        for place in _places(group, ppi)
    )


def _at_once(scan_count: int, ppi: float, free_mb: float) -> AtOnce:
    reach, margin = round(px_from_mm(REACH_MM, ppi)), margin_px(ppi)

    def bytes_of(side: int) -> float:
        seen = (side + 2 * reach) ** 2
        return seen * scan_count * BYTES_A_SCAN_PX + (side + 2 * (reach + margin)) ** 2 * BYTES_A_PX

    return at_once(free_mb, reach + margin, bytes_of)


def _in_block(
    scans: Sequence[PixelSource], block: Window, size: Size, ppi: float, rolls: int, seed: int
) -> tuple[list[_Found], list[_Found]]:
    """What several scans show in the block, and what they would show by chance, `rolls` times."""
    window = block.grown(round(px_from_mm(REACH_MM, ppi))).clipped(size)
    views = Views.of(scans, window, window.grown(margin_px(ppi)).clipped(size), ppi)
    found, sure = _coincidences(views, window, block, ppi)
    rest = views.without(sure)
    rng = np.random.default_rng((seed, block.x0_px, block.y0_px))
    return found, [one for _ in range(rolls) for one in _coincidences(_rolled(rest, rng), window, block, ppi)[0]]


def _is_sure(strength: float, scan_count: int) -> bool:
    return strength > SURE and scan_count > CLASSES[0]


def _strengths(found: list[_Found], count: int) -> NDArray[np.float64]:
    return np.sort([one.strength for one in found if min(one.count, CLASSES[-1]) == count])


def _rolled(views: Views, rng: np.random.Generator) -> Views:
    count, height, width = views.detail.shape
    return views.rolled([(_roll(height, rng), _roll(width, rng)) for _ in range(count)])


def _roll(length: int, rng: np.random.Generator) -> int:
    return int(rng.integers(LEAST_ROLL_PX, max(length - LEAST_ROLL_PX, LEAST_ROLL_PX + 1)))


def _coincidences(views: Views, around: Window, block: Window, ppi: float) -> tuple[list[_Found], NDArray[np.bool_]]:
    """Patches of the block that enough scans show, and the pixels (h, w) of those that are sure.

    The strongest are looked for first, so that none runs into a weaker one beside it.
    """
    found: list[_Found] = []
    proof = evidence(views)
    sure = np.zeros(proof.strength.shape, bool)
    taken = np.zeros(proof.strength.shape, np.uint8)
    beside = np.ones((2 * BESIDE_PX + 1,) * 2, np.uint8)
    for level in LEVELS:
        free = (proof.strength > level) & (cv2.dilate(taken, beside) == 0)
        for columns, rows in small_patches(free, ppi, least_px=LEAST_PX):
            like, count = likeness(views, proof, columns, rows)
            strength = float(proof.strength[rows, columns].max()) * like**LIKE_POWER
            if strength < LEAST_STRENGTH or count < CLASSES[0]:
                continue
            taken[rows, columns] = 1
            sure[rows, columns] |= _is_sure(strength, count)
            x, y = columns.mean() + around.x0_px, rows.mean() + around.y0_px
            if block.x0_px <= x < block.x1_px and block.y0_px <= y < block.y1_px:
                columns, rows = _grown(proof, columns, rows)
                found.append(_Found(count, strength, (columns + around.x0_px, rows + around.y0_px)))
    return found, cv2.dilate(sure.astype(np.uint8), beside) > 0


def _grown(proof: Evidence, columns: NDArray[np.intp], rows: NDArray[np.intp]) -> Pixels:
    """The patch and what hangs together with it, though less is said for it: gaps and ends of a hair."""
    top, left = max(0, rows.min() - GROWS_PX), max(0, columns.min() - GROWS_PX)
    part = np.s_[top : rows.max() + GROWS_PX + 1, left : columns.max() + GROWS_PX + 1]
    mask = np.zeros(proof.strength[part].shape, np.uint8)
    mask[rows - top, columns - left] = 1
    may = proof.strength[part] > GROWS_FROM
    for _ in range(GROWS_PX):
        mask = np.where(may, cv2.dilate(mask, np.ones((3, 3), np.uint8)), 0).astype(np.uint8)
    y, x = np.nonzero(mask)
    return x + left, y + top


def _together(found: Sequence[_Found]) -> list[list[_Found]]:
    """Patches that touch, or nearly: the parts of one hair."""
    boxes = np.array([[at.min() for at in one.pixels] + [at.max() for at in one.pixels] for one in found])
    groups: list[list[_Found]] = []
    is_left = np.ones(len(found), bool)
    for first in range(len(found)):
        if not is_left[first]:
            continue
        group = [first]
        is_left[first] = False
        for member in group:
            near = is_left & (boxes[:, :2] <= boxes[member, 2:] + TOUCHES_PX).all(axis=1)
            near &= (boxes[:, 2:] >= boxes[member, :2] - TOUCHES_PX).all(axis=1)
            for k in np.flatnonzero(near).tolist():
                if _apart(found[k].pixels, found[member].pixels) <= TOUCHES_PX:
                    is_left[k] = False
                    group.append(k)
        groups.append([found[k] for k in group])
    return groups


def _apart(a: Pixels, b: Pixels) -> float:
    """Least distance of two patches along an axis, px."""
    return float(np.maximum(*(np.abs(np.subtract.outer(one, other)) for one, other in zip(a, b, strict=True))).min())


def _places(group: Sequence[_Found], ppi: float) -> Iterator[Capsule]:
    square = max(2, round(px_from_mm(PIECE_MM, ppi)))
    x, y = np.unique(np.concatenate([np.stack(one.pixels) for one in group], axis=1), axis=1)
    for piece in pieces(x, y, square):
        for place in capsules(*piece):
            yield replace(place, width=max(1.0, place.width - 2 * CARRIAGE_PX))


def _least(real: NDArray[np.float64], by_chance: NDArray[np.float64], rolls: int) -> float:
    """The least strength at which chance is a small enough share; both sorted.

    Chance is never taken for none (Phipson and Smyth, Stat. Appl. Genet. Mol. Biol. 9(1), 2010).
    """
    for strength in real:
        more = len(real) - np.searchsorted(real, strength)
        false = (len(by_chance) - np.searchsorted(by_chance, strength) + 1) / rolls
        if false <= FALSE_SHARE * more:
            return min(float(strength), SURE)
    return SURE
