"""The signal that matching looks at: band-passed paint.

Scans that lie the same way up are lit from the same side, so everything they show agrees: luminance is used. When
one is turned, relief (tooth, weave, impasto) reads inverted, and granulation that follows the relief drags a
luminance match along with it. Relief shades the light of all three channels by the same factor, so it cancels in the
logarithm of a ratio of channels: turned pairs are matched on log-chroma. On small copies encoded values are near enough
to light for that; patches at full resolution are compared in linear light.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging import doubling
from stitch.imaging.colour import Encoding
from stitch.model.geometry import Window

DARK_FLOOR = 0.02  # encoded; below it a ratio of channels is noise
DARK_LIGHT = 0.002  # the same in linear light
SAME_WAY_SIGMAS_PX = (0.7, 6.0)
TURNED_SIGMAS_PX = (1.0, 8.0)
LINES_SIGMAS_PX = (0.7, 4.0)
HALVING_PX2 = 2.0  # variance that making half of a picture and doubling it again adds
REACH_PX = 20  # beyond this the widest of the filters sees nothing


Blur = Callable[[NDArray[np.float32], float], NDArray[np.float32]]


class Signal(StrEnum):
    """What two scans are compared in."""

    PAINT = "paint"  # luminance where they lie the same way round, colour where they do not
    DRAWN_LINES = "drawn-lines"  # dark lines far above the paper's tooth: turned scans of a work without colour
    INVERTED_TOOTH = "inverted-tooth"  # of blank paper turned by 180°: what is light in one is dark in the other


def evidence(rgb: NDArray[np.float32], turn_deg: int) -> NDArray[np.float32]:
    """Band-passed evidence of encoded RGB 0..1, (h, w, 3) to (h, w), for a pair turned by `turn_deg`."""
    return band_pass(raw_signal(rgb, turn_deg), turn_deg)


def raw_signal(rgb: NDArray[np.float32], turn_deg: int) -> NDArray[np.float32]:
    """What is compared between two scans turned by `turn_deg`, before any filter: luminance, or log-chroma."""
    if turn_deg == 0:
        return rgb @ np.array([0.3, 0.6, 0.1], dtype=np.float32)
    logs = np.log(np.maximum(rgb, DARK_FLOOR))
    return np.asarray(logs[..., 0] + logs[..., 2] - 2 * logs[..., 1], np.float32)


def channels(rgb: NDArray[np.float32], turn_deg: int, encoding: Encoding) -> tuple[NDArray[np.float32], ...]:
    """Everything that can be compared between two scans turned by `turn_deg`: luminance alone, or both log-chromas.

    The two, red against blue and both against green, carry noise of like strength that is not shared between them.
    They are ratios of linear light: shading is a factor of light, and in values encoded by any curve but a pure power
    it does not cancel where the channels differ (on impasto that left ten times the error).
    """
    if turn_deg == 0:
        return (raw_signal(rgb, turn_deg),)
    logs = np.log(np.maximum(encoding.decode(rgb), DARK_LIGHT))
    red, green, blue = logs[..., 0], logs[..., 1], logs[..., 2]
    return np.asarray((red - blue) / np.sqrt(2), np.float32), np.asarray(
        (red + blue - 2 * green) / np.sqrt(6), np.float32
    )


def confidence(rgb: NDArray[np.float32], turn_deg: int) -> NDArray[np.float32]:
    """Weight 0..1 of each pixel of encoded RGB: log-chroma is the noisier the darker the paint, luminance is not."""
    if turn_deg == 0:
        return np.ones(rgb.shape[:2], np.float32)
    light = np.square(np.maximum(rgb.min(axis=2), DARK_FLOOR))
    return np.asarray(light / (light + np.median(light)), np.float32)


def band_pass(
    signal: NDArray[np.float32],
    turn_deg: int,
    mask: Mask | None = None,
    compared: Signal = Signal.PAINT,
) -> NDArray[np.float32]:
    """Difference of two Gaussians of the pixels that count (all when `mask` is None); 0 where none does.

    The Gaussians are normalised by the mask (Knutsson and Westin, CVPR 1993), so that two scans compared under one mask
    are filtered alike up to its very edge.
    """
    fine, coarse = _sigmas(turn_deg, compared)
    if mask is None:
        return blurred(signal, fine) - blurred(signal, coarse)
    if mask.is_full:
        return blurred(signal, fine) - blurred_at_half(signal, coarse)
    seen = np.where(mask.weight > 0, signal * mask.weight, 0)
    parts = [mask.mean(seen, fine, blurred), mask.mean(seen, coarse, blurred_at_half)]
    return np.asarray(np.where(mask.weight > 0, parts[0] - parts[1], 0), np.float32)


class Mask:
    """How much each pixel counts, 0..1, for several pictures that are filtered alike."""

    def __init__(self, weight: NDArray[np.float32]) -> None:
        self.weight = weight
        self.is_full = bool(weight.all())
        self._blurred: dict[float, NDArray[np.float32]] = {}

    def mean(self, weighted: NDArray[np.float32], sigma_px: float, blur: Blur) -> NDArray[np.float32]:
        """The blurred mean of a picture that was multiplied by the weights."""
        if sigma_px not in self._blurred:
            self._blurred[sigma_px] = np.maximum(blur(self.weight, sigma_px), 1e-3)
        return np.asarray(blur(weighted, sigma_px) / self._blurred[sigma_px])


def _sigmas(turn_deg: int, compared: Signal) -> tuple[float, float]:
    in_paint = SAME_WAY_SIGMAS_PX if turn_deg == 0 else TURNED_SIGMAS_PX
    return in_paint if compared is Signal.PAINT else LINES_SIGMAS_PX


def blurred(signal: NDArray[np.float32], sigma_px: float) -> NDArray[np.float32]:
    """Gaussian blur, reflecting at the border."""
    return cv2.GaussianBlur(signal, (0, 0), sigma_px, borderType=cv2.BORDER_REFLECT_101)  # type: ignore[return-value]


def blurred_at_half(signal: NDArray[np.float32], sigma_px: float) -> NDArray[np.float32]:
    """The same at half the size (Burt and Adelson, IEEE Trans. Commun. 31(4), 1983), in a fifth of the time.

    Within 0.02 % of the signal's deviation, but for the border. Counts from even pixels: pictures begin on one.
    """
    half = cv2.pyrDown(signal, borderType=cv2.BORDER_REFLECT_101)
    left_px = float(np.sqrt(sigma_px**2 - HALVING_PX2)) / 2
    half = cv2.GaussianBlur(half, (0, 0), left_px, borderType=cv2.BORDER_REFLECT_101)
    return cv2.pyrUp(half, dstsize=signal.shape[1::-1])  # type: ignore[return-value]


def resampled(
    signal: NDArray[np.float32], part: Window, x_px: NDArray[np.float64], y_px: NDArray[np.float64]
) -> NDArray[np.float32]:
    """Read the signal of `part` of a scan at scan px (h, w), by the straight kernel of `imaging.doubling`.

    OpenCV's cubic kernel alone does not reproduce a ramp: it is up to 0.05 px off, by the fraction of a pixel.
    """
    at_x, at_y = ((2 * (v - first)).astype(np.float32) for v, first in ((x_px, part.x0_px), (y_px, part.y0_px)))
    return doubling.read_straight(doubling.doubled(signal), at_x, at_y, np.float32)


def as_float(pixels: NDArray[Any]) -> NDArray[np.float32]:
    """Codes to encoded values 0..1 as float32."""
    return pixels.astype(np.float32) * np.float32(1.0 / np.iinfo(pixels.dtype).max)
