"""The fine search around a click: where in scan b the surroundings of a place in scan a are found again.

Normalised cross-correlation of band-passed luminance (Lewis, Fast Normalized Cross-Correlation, Vision Interface 1995),
with the peak between pixels from a parabola through its neighbours.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import FloatArray, apply, px_from_mm
from stitch.model.geometry import Size, Window
from stitch.model.scans import PixelSource
from stitch.model.ties import Tie

REACH_MM = 3.0  # how far beside the right place a click may be
AROUND_MM = 3.0  # of the surroundings that are compared, to each side
LEAST_MM = 1.0  # to the side where the scan ends
CLICK_SIGMA_MM = 0.3  # of a place set by hand
AGREES_FROM = 0.6  # correlation
RIVAL_SHARE = 0.9  # a second place as good as this makes the first doubtful
FINEST_SIGMA_PX = 0.05
FINE_PX, COARSE_PX = 1.0, 12.0  # band that is compared, standard deviations in px of scan b

Float32Array = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Snapped:
    """What the fine search came to. `tie` has its place in scan b moved where the surroundings agree."""

    tie: Tie
    moved_px: float  # in scan b
    sigma_px: float
    agrees: bool
    said: str


def snap(a: PixelSource, b: PixelSource, tie: Tie, *, turn_deg: int, ppi_a: float, ppi_b: float) -> Snapped:
    """Search scan b, within 3 mm of the tie, for the surroundings of the tie's place in scan a.

    turn_deg : how far b is turned against a, clockwise: 0, 90, 180 or 270.
    """
    angle, ratio = math.radians(-turn_deg), ppi_a / ppi_b
    linear = ratio * np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    a_from_off = np.column_stack([linear, tie.a_px])  # scan a px from b px counted from the tie
    box = _inside(a.size, a_from_off, round(px_from_mm(AROUND_MM, ppi_b)))
    if min(box) < px_from_mm(LEAST_MM, ppi_b):
        return _unmoved(tie, ppi_b, "Too near the scan's border to look around it; it stays where you set it.")
    pattern = _pattern(a, a_from_off, box)
    reach = round(px_from_mm(REACH_MM, ppi_b))
    middle = np.round(tie.b_px).astype(int)
    left, top, right, bottom = (side + reach for side in box)
    wanted = Window(int(middle[0]) - left, int(middle[1]) - top, left + right + 1, top + bottom + 1)
    searched = wanted.clipped(b.size)
    if searched.width_px < pattern.shape[1] + 2 or searched.height_px < pattern.shape[0] + 2:
        return _unmoved(tie, ppi_b, "Too near the scan's border to look around it; it stays where you set it.")
    scores = cv2.matchTemplate(_band(b.read(searched)), pattern, cv2.TM_CCOEFF_NORMED)
    found = _peak(np.asarray(scores))
    if found is None:
        return _unmoved(tie, ppi_b, "The surroundings do not agree; it stays where you set it. Is it the same spot?")
    (x, y), sigma = found
    place = (float(searched.x0_px + x + box[0]), float(searched.y0_px + y + box[1]))
    moved = math.dist(place, tie.b_px)
    return Snapped(replace(tie, b_px=place), moved, sigma, True, "Moved to where the surroundings agree.")  # noqa: FBT003


def _unmoved(tie: Tie, ppi: float, said: str) -> Snapped:
    return Snapped(tie, 0.0, px_from_mm(CLICK_SIGMA_MM, ppi), False, said)  # noqa: FBT003


def _inside(size: Size, a_from_off: FloatArray, most: int) -> tuple[int, int, int, int]:
    """How far the surroundings reach left, up, right and down inside scan a, b px."""
    found = []
    for direction in ((-1, 0), (0, -1), (1, 0), (0, 1)):
        ends = apply(a_from_off, np.arange(most + 1)[:, None] * np.array(direction))
        fits = (ends >= 1).all(axis=1) & (ends <= np.array([size.width_px - 2, size.height_px - 2])).all(axis=1)
        found.append(int(np.argmin(fits)) - 1 if not fits.all() else most)
    left, up, right, down = found
    return left, up, right, down


def _pattern(a: PixelSource, a_from_off: FloatArray, box: tuple[int, int, int, int]) -> Float32Array:
    """The surroundings in scan a, as scan b would show them: (rows, columns), band-passed."""
    left, up, right, down = box
    corners = apply(a_from_off, np.array([[-left, -up], [right, -up], [right, down], [-left, down]], float))
    low, high = np.floor(corners.min(axis=0)).astype(int) - 1, np.ceil(corners.max(axis=0)).astype(int) + 2
    window = Window(int(low[0]), int(low[1]), *(int(n) for n in high - low)).clipped(a.size)
    origin = np.array([window.x0_px, window.y0_px])
    shift = apply(a_from_off, np.array([-left, -up], float)) - origin
    local = np.column_stack([a_from_off[:, :2], shift])
    size = (left + right + 1, up + down + 1)
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    grey = cv2.warpAffine(_grey(a.read(window)), local, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return _passed(np.asarray(grey, dtype=np.float32))


def _band(pixels: NDArray[np.uint8] | NDArray[np.uint16]) -> Float32Array:
    return _passed(_grey(pixels))


def _grey(pixels: NDArray[np.uint8] | NDArray[np.uint16]) -> Float32Array:
    return np.asarray(pixels, dtype=np.float32).mean(axis=2) / np.iinfo(pixels.dtype).max


def _passed(grey: Float32Array) -> Float32Array:
    fine, coarse = (cv2.GaussianBlur(grey, (0, 0), sigma) for sigma in (FINE_PX, COARSE_PX))
    return np.asarray(fine - coarse, dtype=np.float32)


def _peak(scores: Float32Array) -> tuple[tuple[float, float], float] | None:
    """Where the scores (rows, columns) are best, between pixels, and how sure; None when that is not clear."""
    row, column = divmod(int(np.argmax(scores)), scores.shape[1])
    best = float(scores[row, column])
    on_rim = row in (0, scores.shape[0] - 1) or column in (0, scores.shape[1] - 1)
    rivals = scores.copy()
    rivals[max(0, row - 8) : row + 9, max(0, column - 8) : column + 9] = -1.0
    if on_rim or best < AGREES_FROM or float(rivals.max()) > RIVAL_SHARE * best:
        return None
    x, bend_x = _vertex(*scores[row, column - 1 : column + 2])
    y, bend_y = _vertex(*scores[row - 1 : row + 2, column])
    sigma = math.sqrt((1.0 - best) / max(1e-6, min(bend_x, bend_y))) / 4
    return (column + x, row + y), max(FINEST_SIGMA_PX, sigma)


def _vertex(before: float, at: float, after: float) -> tuple[float, float]:
    """Of the parabola through three neighbours: the offset of its top, and how sharply it bends."""
    bend = float(2 * at - before - after)
    return (float(after - before) / (2 * bend) if bend > 0 else 0.0), bend
