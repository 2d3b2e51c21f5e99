"""How far the light of a scan reaches, so that no gain pushes paper white past the top.

White is an area, not a pixel: the mean of a small square plus one standard deviation, which covers paper tooth, and no
more than its brightest pixel. Single brighter pixels are glints on the paint; the shoulder of the code table takes them
(`apply.py`).
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import FloatArray
from stitch.imaging.colour import Encoding
from stitch.imaging.windows import bands
from stitch.model.geometry import Window
from stitch.model.scans import PixelSource
from stitch.model.tone import ScanTone
from stitch.tone.apply import KNEE, highest_light, light_before, matched_light

SQUARE_PX = 16
BAND_PX = 8 * SQUARE_PX
CLIPPED_SHARE = 1e-3  # squares with more pixels at the top code are clipped in the scan already


def scale_for_white(
    source: PixelSource, tone: ScanTone, encoding: Encoding, bits: int, painting_px: FloatArray | None = None
) -> float:
    """The factor, at most 1, that keeps the scan's whitest squares at or below the knee after its match.

    `painting_px` : corners of the painting in scan px, (4, 2) in order; then only squares wholly inside count, since
    the lid beside the painting may turn as white as it likes. None: every square counts.

    Reads the scan once by bands, and only when its match could push anything past the knee.
    """
    highest = KNEE * highest_light(encoding, bits)
    top = encoding.curves[:, -1]
    if np.all(matched_light(tone, top) <= top):
        return 1.0
    limit = np.floor(encoding.encode(light_before(tone, highest)[None])[0] * (2**bits - 1))
    white = np.zeros(3)
    for band in bands(source.size, BAND_PX):
        white = np.maximum(white, _whitest(source.read(band), limit, band, encoding, bits, painting_px))
    return float(min(1.0, (highest / np.maximum(matched_light(tone, white), 1e-9)).min()))


def _whitest(
    pixels: NDArray[Any],
    limit: NDArray[Any],
    band: Window,
    encoding: Encoding,
    bits: int,
    painting_px: FloatArray | None,
) -> NDArray[np.float64]:
    """Light of the whitest counted square of a band, (3,), where codes exceed `limit`; 0 when none do."""
    bright = np.flatnonzero((np.asarray(cv2.reduce(pixels, 0, cv2.REDUCE_MAX))[0] > limit).any(axis=-1))
    if not len(bright):
        return np.zeros(3)
    first, last = bright[0] // SQUARE_PX, bright[-1] // SQUARE_PX + 1
    rows, columns = pixels.shape[0] // SQUARE_PX, min(last, pixels.shape[1] // SQUARE_PX) - first
    if not rows or columns < 1:
        return np.zeros(3)
    whole = pixels[: rows * SQUARE_PX, first * SQUARE_PX : (first + columns) * SQUARE_PX]
    light = encoding.decode_codes(whole)
    mean = _square_means(light)
    spread = np.sqrt(np.maximum(_square_means(light * light) - mean * mean, 0.0))
    brightest = light.reshape(rows, SQUARE_PX, columns, SQUARE_PX, 3).max(axis=(1, 3))
    is_clipped = (whole >= 2**bits - 1).any(axis=-1).astype(np.float32)
    counts = (_square_means(is_clipped) <= CLIPPED_SHARE) & _inside_squares(band, first, rows, columns, painting_px)
    return np.minimum(mean + spread, brightest)[counts].max(axis=0, initial=0.0).astype(np.float64)


def _square_means(values: NDArray[np.float32]) -> NDArray[np.float32]:
    size = (values.shape[1] // SQUARE_PX, values.shape[0] // SQUARE_PX)
    return cv2.resize(values, size, interpolation=cv2.INTER_AREA)  # type: ignore[return-value]


def _inside_squares(
    band: Window, first: int, rows: int, columns: int, painting_px: FloatArray | None
) -> NDArray[np.bool_]:
    """Which squares of a band, from square `first` of each row on, lie wholly inside the painting, (rows, columns)."""
    inside = np.ones((rows, columns), dtype=bool)
    if painting_px is None:
        return inside
    x, y = (first + np.arange(columns)) * SQUARE_PX, band.y0_px + np.arange(rows)[:, None] * SQUARE_PX
    for right in (0, SQUARE_PX):
        for down in (0, SQUARE_PX):
            inside &= _inside(x + right, y + down, painting_px)
    return inside


def _inside(x: NDArray[np.intp], y: NDArray[np.intp], corners_px: FloatArray) -> NDArray[np.bool_]:
    """Which points lie inside a convex quadrilateral, whichever way round its corners are given."""
    sides = [
        (end[0] - start[0]) * (y - start[1]) - (end[1] - start[1]) * (x - start[0])
        for start, end in zip(corners_px, np.roll(corners_px, -1, axis=0), strict=True)
    ]
    return np.all(np.array(sides) >= 0, axis=0) | np.all(np.array(sides) <= 0, axis=0)
