"""The fine search around a click: where scan b shows what scan a shows at the place clicked.

Band-passed log-grey windows are compared by normalised cross-correlation over the reach of a click; the peak is refined
by a parabola through its neighbours.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import px_from_mm
from stitch.model.geometry import Window
from stitch.model.scans import PixelSource
from stitch.model.ties import Tie

REACH_MM = 3.0  # how far a click may be off
HALF_MM = 2.0  # half the side of what is compared
LEAST_HALF_PX, MOST_HALF_PX = 24, 64
LEAST_REACH_PX, MOST_REACH_PX = 16, 96
LEAST_NCC, LEAST_NCC_TURNED = 0.6, 0.7
RIVAL_SHARE = 0.93  # of the best likeness: with another place this like, there is no telling
PEAK_PX = 5  # around the best place, where likeness belongs to the same peak
FINE_SIGMA_PX, COARSE_SIGMA_PX = 1.0, 6.0  # of the band that is compared
SNAPPED_SIGMA_PX = 0.3  # at a likeness of 1; more where the two look less alike
CLICK_SIGMA_MM = 0.3  # of a click that nothing corrects: common practice, no source
SEEN_SHARE = 0.7  # of what would be looked at must lie in the scan
SEEN_DEVIATION = 0.004  # of the band-passed log-grey: less is the scanner's noise

Picture = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Snapped:
    """A tie after the fine search."""

    tie: Tie  # a's place as clicked, b's moved to sub-pixel
    moved_px: float
    sigma_px: float  # standard deviation along each axis, px of scan b
    agrees: bool  # whether the surroundings agree, so that it was moved
    said: str  # one plain sentence


def snap(a: PixelSource, b: PixelSource, tie: Tie, *, turn_deg: int, ppi_a: float, ppi_b: float) -> Snapped:
    """Move b's place of a tie to where b looks like a does at its place; only small windows are read.

    Parameters
    ----------
    turn_deg : how far b lies turned against a: 0, 90, 180, 270.
    ppi_a, ppi_b : resolutions of the two scans.
    """
    half = int(np.clip(px_from_mm(HALF_MM, ppi_b), LEAST_HALF_PX, MOST_HALF_PX))
    reach = int(np.clip(px_from_mm(REACH_MM, ppi_b), LEAST_REACH_PX, MOST_REACH_PX))
    shown_a = _around(a, tie.a_px, half, ppi_a / ppi_b, turn_deg)
    shown_b = _around(b, tie.b_px, half + reach, 1.0, 0)
    if shown_a is None or shown_b is None:
        return _as_clicked(tie, ppi_b, "The click lies too near to the scan's border to search around it.")
    band_a, band_b = _band(shown_a), _band(shown_b)
    if float(band_a.std()) < SEEN_DEVIATION:
        return _as_clicked(tie, ppi_b, f"There is nothing to hold on to around the place in {tie.scan_a}.")
    likeness = np.asarray(cv2.matchTemplate(band_b, band_a, cv2.TM_CCOEFF_NORMED), np.float32)
    y, x = np.unravel_index(int(likeness.argmax()), likeness.shape)
    best, rival = float(likeness[y, x]), _rival(likeness, int(x), int(y))
    if best < (LEAST_NCC_TURNED if turn_deg else LEAST_NCC):
        return _as_clicked(tie, ppi_b, "The surroundings of the two places do not look alike.")
    if rival > RIVAL_SHARE * best or not _is_inner(likeness, int(x), int(y)):
        return _as_clicked(tie, ppi_b, "More than one place near the click looks alike.")
    move_x = x - reach + _peak(likeness[y, x - 1 : x + 2])
    move_y = y - reach + _peak(likeness[y - 1 : y + 2, x])
    return _moved(tie, (float(move_x), float(move_y)), best)


def click_sigma_px(ppi: float) -> float:
    """Standard deviation, along each axis, of a click that nothing corrects."""
    return px_from_mm(CLICK_SIGMA_MM, ppi)


def _moved(tie: Tie, move: tuple[float, float], likeness: float) -> Snapped:
    place = (tie.b_px[0] + move[0], tie.b_px[1] + move[1])
    far = math.hypot(*move)
    return Snapped(
        replace(tie, b_px=place),
        far,
        SNAPPED_SIGMA_PX / likeness**2,
        agrees=True,
        said=f"The surroundings agree: moved by {far:.1f} px in {tie.scan_b}.",
    )


def _as_clicked(tie: Tie, ppi: float, why: str) -> Snapped:
    sigma = click_sigma_px(ppi)
    return Snapped(
        tie, 0.0, sigma, agrees=False, said=f"{why} It stays where you clicked, good to about {sigma:.0f} px."
    )


def _around(source: PixelSource, place: tuple[float, float], half: int, scale: float, turn_deg: int) -> Picture | None:
    """Encoded grey 0..1 on a grid of (2·half + 1) px of the other scan around a place; None too near to the border.

    `scale` : px of this scan to a px of the grid; `turn_deg` : how far the other scan lies turned.
    """
    side = 2 * half + 1
    radius = math.ceil(half * scale) + 3
    x, y = (math.floor(v) for v in place)
    window = Window(x - radius, y - radius, 2 * radius + 2, 2 * radius + 2)
    inside = window.clipped(source.size)
    if inside.is_empty or inside.width_px * inside.height_px < SEEN_SHARE * window.width_px * window.height_px:
        return None
    grey = _grey(source.read(inside))
    bordered = cv2.copyMakeBorder(
        grey,
        inside.y0_px - window.y0_px,
        window.y1_px - inside.y1_px,
        inside.x0_px - window.x0_px,
        window.x1_px - inside.x1_px,
        cv2.BORDER_REPLICATE,
    )
    turn = math.radians(turn_deg)
    c, s = math.cos(turn) * scale, math.sin(turn) * scale
    at_x, at_y = place[0] - window.x0_px, place[1] - window.y0_px
    grid_to_window = np.array([[c, s, at_x - (c + s) * half], [-s, c, at_y - (c - s) * half]])
    flags = (cv2.INTER_AREA if scale > 1.5 else cv2.INTER_CUBIC) | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpAffine(bordered, grid_to_window, (side, side), flags=flags), np.float32)


def _grey(pixels: NDArray[np.uint8] | NDArray[np.uint16]) -> Picture:
    top = np.float32(np.iinfo(pixels.dtype).max)
    return (pixels.astype(np.float32) / top) @ np.array([0.3, 0.6, 0.1], np.float32)


def _band(grey: Picture) -> Picture:
    """Log-grey between two blurs: what light does over centimetres and what noise does between pixels is gone."""
    log = np.log(grey + np.float32(0.02))
    return np.asarray(
        cv2.GaussianBlur(log, (0, 0), FINE_SIGMA_PX) - cv2.GaussianBlur(log, (0, 0), COARSE_SIGMA_PX), np.float32
    )


def _rival(likeness: Picture, x: int, y: int) -> float:
    """The best likeness outside the best place's own peak."""
    rest = likeness.copy()
    rest[max(0, y - PEAK_PX) : y + PEAK_PX + 1, max(0, x - PEAK_PX) : x + PEAK_PX + 1] = -1.0
    return float(rest.max())


def _is_inner(likeness: Picture, x: int, y: int) -> bool:
    return 0 < x < likeness.shape[1] - 1 and 0 < y < likeness.shape[0] - 1


def _peak(three: NDArray[Any]) -> float:
    """Where a parabola through three values has its top, from the middle one."""
    left, middle, right = (float(v) for v in three)
    bend = left - 2 * middle + right
    return 0.0 if bend >= 0 else float(np.clip((left - right) / (2 * bend), -0.5, 0.5))
