"""What lies on the glass: seen at the same bed position in most scans, whatever the painting does there.

Each scan is band-passed and measured in units of its own local contrast. A place counts when it is darker (or lighter)
than its surroundings in three quarters of the scans, by far more on average than anywhere when the scans are rolled
against each other at random (a permutation test: Good, Permutation, Parametric and Bootstrap Tests, 3rd ed., 2005).
On a clean glass nothing passes. The bed's frame is not looked for: it only ever votes for laying two scans over each
other, and that vote is judged without the scans' borders (`sameplace.py`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import MM_PER_INCH
from stitch.imaging.discs import AROUND_MM
from stitch.imaging.spots import pieces, stretch
from stitch.model.bed import GlassSpeck
from stitch.register.reduced import Reduced

FloatPicture = NDArray[np.float32]

MIN_SCANS = 3
SHARE = 0.75  # of the scans that must show it
FINE_SIGMA_PX, COARSE_SIGMA_PX = 0.7, 3.5
CONTRAST_SIGMA_PX = 12.0
SHOWS_Z = 1.0  # local deviations
MOST_Z = 6.0  # one scan counts no more than this
LEAST_MEAN_Z = 2.0
NULL_MARGIN = 1.5  # times the best of the rolled scans
ROLLS = 6
LEAST_ROLL_PX = 20
ANYTHING_SHARE = 0.05  # more of the glass than this is no dust
PIECE_MM = 3.0  # a hair is told in pieces no longer than this
LONGEST_MM = 15.0  # longer than this is no dust but an edge: it has no vote, and is not told


@dataclass(frozen=True, slots=True, eq=False)
class Glass:
    """What is fixed to the bed."""

    specks: tuple[GlassSpeck, ...] = ()
    fixed: NDArray[np.bool_] | None = None  # (h, w) everything found; None when there is nothing
    pitch_mm: float = 1.0  # of `fixed`, from the top left of the scan

    def mask(self, reduced: Reduced, ppi: float) -> NDArray[np.bool_]:
        """What is fixed to the bed in one reduced scan of resolution `ppi`, (h, w)."""
        size = (reduced.size.width_px, reduced.size.height_px)
        if self.fixed is None:
            return np.zeros(size[::-1], bool)
        ratio = reduced.factor * MM_PER_INCH / ppi / self.pitch_mm
        return _regridded(self.fixed.astype(np.float32), ratio, size) > 0.25

    def cleaned(self, reduced: Reduced, ppi: float) -> Reduced:
        """The reduced scan with everything fixed to the bed filled in smoothly from around it."""
        if self.fixed is None:
            return reduced
        mask = self.mask(reduced, ppi)
        return replace(reduced, codes=_filled(reduced.codes, mask)) if mask.any() else reduced


def find_glass(reduced: Mapping[str, Reduced], ppi: Mapping[str, float], *, seed: int = 0, jobs: int = 1) -> Glass:
    """Dust, scratches and hairs on the glass, from the set of scans; nothing with fewer than three scans.

    Parameters
    ----------
    reduced : small copies by scan name.
    ppi : resolution of each scan, scan px per inch.
    seed : of the rolls.
    jobs : threads.
    """
    if len(reduced) < MIN_SCANS:
        return Glass()
    pitches = {name: r.factor * MM_PER_INCH / ppi[name] for name, r in reduced.items()}
    pitch = max(pitches.values())
    size = _common_size(reduced, pitches, pitch)
    if min(size) <= 4 * LEAST_ROLL_PX:
        return Glass()
    rng = np.random.default_rng(seed)
    sums = [_Tally.empty(size) for _ in range(1 + ROLLS)]
    names = list(reduced)

    def contrast_of(name: str) -> FloatPicture:
        return _regridded(_contrast(reduced[name].rgb), pitch / pitches[name], size)

    with ThreadPoolExecutor(jobs, thread_name_prefix="glass") as pool:
        for start in range(0, len(names), jobs):
            for contrast in list(pool.map(contrast_of, names[start : start + jobs])):
                rolls = [(0, 0), *(_roll(contrast, rng) for _ in range(ROLLS))]
                list(pool.map(_Tally.add, sums, [contrast] * len(sums), rolls))
    need = math.ceil(SHARE * len(reduced))
    mean, seen = sums[0].strength(len(reduced), need)
    by_chance = max(float(tally.strength(len(reduced), need)[0].max()) for tally in sums[1:])
    hit = mean > max(LEAST_MEAN_Z, NULL_MARGIN * by_chance)
    if not hit.any() or hit.mean() > ANYTHING_SHARE:
        return Glass()
    return _described(hit, seen, pitch)


@dataclass(frozen=True, slots=True, eq=False)
class _Tally:
    """Sums over the scans, for darker and lighter than around."""

    total: FloatPicture  # (2, h, w) of contrast, each scan's part limited
    count: NDArray[np.uint8]  # (2, h, w) scans that show it

    @staticmethod
    def empty(size: tuple[int, int]) -> _Tally:
        shape = (2, size[1], size[0])
        return _Tally(np.zeros(shape, np.float32), np.zeros(shape, np.uint8))

    def add(self, contrast: FloatPicture, roll: tuple[int, int]) -> None:
        rolled = np.roll(contrast, roll, (0, 1))
        for k, own in enumerate((-rolled, rolled)):
            self.count[k] += own > SHOWS_Z
            self.total[k] += np.clip(own, 0, MOST_Z)

    def strength(self, scan_count: int, need: int) -> tuple[FloatPicture, NDArray[np.uint8]]:
        """Mean contrast where enough scans show it, else 0; and how many show it."""
        mean = np.where(self.count >= need, self.total / scan_count, 0).max(axis=0).astype(np.float32)
        return mean, self.count.max(axis=0)


def _contrast(rgb: FloatPicture) -> FloatPicture:
    """Band-passed grey in units of its local deviation, (h, w)."""
    grey = rgb @ np.array([0.3, 0.6, 0.1], dtype=np.float32)
    fine = cv2.GaussianBlur(grey, (0, 0), FINE_SIGMA_PX) - cv2.GaussianBlur(grey, (0, 0), COARSE_SIGMA_PX)
    spread = np.sqrt(cv2.GaussianBlur(fine * fine, (0, 0), CONTRAST_SIGMA_PX))
    return np.asarray(fine / (spread + 0.3 * np.median(spread) + 1e-5), dtype=np.float32)


def _common_size(reduced: Mapping[str, Reduced], pitches: Mapping[str, float], pitch: float) -> tuple[int, int]:
    widths = [int(r.size.width_px * pitches[name] / pitch) for name, r in reduced.items()]
    heights = [int(r.size.height_px * pitches[name] / pitch) for name, r in reduced.items()]
    return min(widths), min(heights)


def _regridded(picture: FloatPicture, ratio: float, size: tuple[int, int]) -> FloatPicture:
    """The picture on a grid whose px are `ratio` of its own px, both starting at the same outer corner."""
    if abs(ratio - 1) < 1e-6 and picture.shape[0] >= size[1] and picture.shape[1] >= size[0]:
        return picture[: size[1], : size[0]]
    if ratio > 1:
        picture = np.asarray(cv2.GaussianBlur(picture, (0, 0), 0.4 * ratio))
    offset = (ratio - 1) / 2
    matrix = np.array([[ratio, 0, offset], [0, ratio, offset]])
    return np.asarray(
        cv2.warpAffine(picture, matrix, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP), dtype=np.float32
    )


def _roll(contrast: FloatPicture, rng: np.random.Generator) -> tuple[int, int]:
    down, across = (int(rng.integers(LEAST_ROLL_PX, length - LEAST_ROLL_PX)) for length in contrast.shape)
    return down, across


def _described(hit: NDArray[np.bool_], seen: NDArray[np.uint8], pitch_mm: float) -> Glass:
    around = max(1, round(AROUND_MM / pitch_mm))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * around + 1, 2 * around + 1))
    fixed = cv2.dilate(hit.astype(np.uint8), disc)
    count, labels, boxes, _ = cv2.connectedComponentsWithStats(fixed)
    specks: list[GlassSpeck] = []
    rows, columns = np.nonzero(hit)
    owner = labels[rows, columns]
    for label in range(1, count):
        mine = owner == label
        longest = float(max(boxes[label, cv2.CC_STAT_WIDTH], boxes[label, cv2.CC_STAT_HEIGHT])) * pitch_mm
        if longest <= LONGEST_MM:
            specks += _pieces(columns[mine], rows[mine], seen, pitch_mm)
    return Glass(tuple(specks), fixed.astype(bool), pitch_mm)


def _pieces(
    columns: NDArray[np.intp], rows: NDArray[np.intp], seen: NDArray[np.uint8], pitch_mm: float
) -> list[GlassSpeck]:
    """One speck, or a long one cut into pieces along squares of the glass."""
    found = []
    for x, y in pieces(columns, rows, max(1, round(PIECE_MM / pitch_mm))):
        length_px, angle = stretch(x, y)
        found.append(
            GlassSpeck(
                x_mm=float((x.mean() + 0.5) * pitch_mm),
                y_mm=float((y.mean() + 0.5) * pitch_mm),
                size_mm=2 * math.sqrt(len(x) / math.pi) * pitch_mm,
                scan_count=int(seen[y, x].max()),
                length_mm=length_px * pitch_mm,
                angle_deg=angle,
            )
        )
    return found


def _filled(codes: NDArray[np.uint16], mask: NDArray[np.bool_]) -> NDArray[np.uint16]:
    """Masked px from the px around them, by blurs of growing width."""
    known = (~mask).astype(np.float32)
    values = codes.astype(np.float32)
    out = values.copy()
    left = mask.copy()
    for sigma in (2.0, 6.0, 20.0):
        weight = cv2.GaussianBlur(known, (0, 0), sigma)
        mean = cv2.GaussianBlur(values * known[..., None], (0, 0), sigma) / np.maximum(weight, 1e-3)[..., None]
        use = left & (weight > 0.05)
        out[use] = mean[use]
        left &= ~use
    out[left] = values[~mask].mean(axis=0) if known.any() else 0
    return np.clip(out + 0.5, 0, 65535).astype(np.uint16)
