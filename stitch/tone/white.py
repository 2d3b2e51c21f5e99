"""How far the light of a scan reaches, so that no gain pushes paper white past the top."""

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

BLOCK_PX = 48  # side of the squares looked at
SPARKLE_SIGMAS = 6.0  # lone pixels further out than this are sparkle on the paint, not paper white
CLIPPED_SHARE = 1e-3  # squares with more pixels at the top code are clipped in the scan already
CODES_BELOW_TOP = 0.75  # white is kept so far below the top code that it does not round to it


def scale_for_white(
    source: PixelSource, tone: ScanTone, encoding: Encoding, bits: int, painting_px: FloatArray | None = None
) -> float:
    """The factor, at most 1, that keeps the scan's brightest squares below the top after its match.

    `painting_px` : corners of the painting in scan px, (4, 2) in order; then only squares wholly inside count, since
    the lid beside the painting may turn as white as it likes. None: every square counts.

    Reads the scan once by bands, and only when its gains or offsets could push anything past the top.
    """
    gain, offset = np.array(tone.gain_rgb), np.array(tone.offset_rgb)
    top = encoding.curves[:, -1]
    if np.all(gain * top + offset <= top):
        return 1.0
    highest = encoding.decode(np.full((1, 3), 1.0 - CODES_BELOW_TOP / (2**bits - 1)))[0].astype(np.float64)
    limit = np.floor(encoding.encode(((highest - offset) / gain)[None])[0] * (2**bits - 1))
    reach = np.zeros(3)
    for band in bands(source.size, BLOCK_PX):
        reach = np.maximum(reach, _reach(source.read(band), limit, bits, _counted(band, painting_px)))
    light = encoding.decode_table(bits)[np.ceil(reach).astype(int), [0, 1, 2]].astype(np.float64)
    return float(min(1.0, (highest / np.maximum(gain * light + offset, 1e-9)).min()))


def _counted(band: Window, painting_px: FloatArray | None) -> NDArray[np.bool_]:
    """Which squares of a band lie wholly inside the painting, (squares,)."""
    starts = np.arange(0, band.width_px, BLOCK_PX)
    if painting_px is None:
        return np.ones(len(starts), dtype=bool)
    x0, x1 = starts, np.minimum(starts + BLOCK_PX, band.width_px)
    inside = np.ones(len(starts), dtype=bool)
    for x in (x0, x1):
        for y in (band.y0_px, band.y1_px):
            inside &= _inside(x.astype(np.float64), float(y), painting_px)
    return inside


def _inside(x: NDArray[np.float64], y: float, corners_px: FloatArray) -> NDArray[np.bool_]:
    """Which points lie inside a convex quadrilateral, whichever way round its corners are given."""
    sides = []
    for start, end in zip(corners_px, np.roll(corners_px, -1, axis=0), strict=True):
        sides.append((end[0] - start[0]) * (y - start[1]) - (end[1] - start[1]) * (x - start[0]))
    return np.all(np.array(sides) >= 0, axis=0) | np.all(np.array(sides) <= 0, axis=0)


def _reach(band: NDArray[Any], limit: NDArray[Any], bits: int, is_counted: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Brightest code per channel, square by square, of those counted squares that exceed `limit`; else 0."""
    columns = np.asarray(cv2.reduce(band, 0, cv2.REDUCE_MAX))[0]
    reach = np.zeros(3)
    if not np.any(columns > limit):
        return reach
    for x in np.flatnonzero(is_counted) * BLOCK_PX:
        brightest = columns[x : x + BLOCK_PX].max(axis=0)
        if np.any(brightest > limit):
            reach = np.maximum(reach, _square_reach(band[:, x : x + BLOCK_PX], bits))
    return reach


def _square_reach(square: NDArray[Any], bits: int) -> NDArray[np.float64]:
    is_clipped = (square >= 2**bits - 1).any(axis=-1)
    if is_clipped.mean() > CLIPPED_SHARE:
        return np.zeros(3)
    pixels = square[~is_clipped].astype(np.float64)
    bound = pixels.mean(axis=0) + SPARKLE_SIGMAS * pixels.std(axis=0)
    return np.minimum(pixels.max(axis=0), bound)
