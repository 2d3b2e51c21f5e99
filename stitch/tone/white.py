"""How far the light of a scan reaches, so that no gain pushes paper white past the top."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging.colour import Encoding
from stitch.imaging.windows import bands
from stitch.model.scans import PixelSource
from stitch.model.tone import ScanTone

BLOCK_PX = 48  # side of the squares looked at
SPARKLE_SIGMAS = 6.0  # lone pixels further out than this are sparkle on the paint, not paper white
CLIPPED_SHARE = 1e-3  # squares with more pixels at the top code are clipped in the scan already
CODES_BELOW_TOP = 0.75  # white is kept so far below the top code that it does not round to it


def scale_for_white(source: PixelSource, tone: ScanTone, encoding: Encoding, bits: int) -> float:
    """The factor, at most 1, that keeps the scan's brightest squares below the top after its match.

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
        reach = np.maximum(reach, _reach(source.read(band), limit, bits))
    light = encoding.decode_table(bits)[np.ceil(reach).astype(int), [0, 1, 2]].astype(np.float64)
    return float(min(1.0, (highest / np.maximum(gain * light + offset, 1e-9)).min()))


def _reach(band: NDArray[Any], limit: NDArray[Any], bits: int) -> NDArray[np.float64]:
    """Brightest code per channel, looked at square by square, of those squares that exceed `limit`; else 0."""
    columns = np.asarray(cv2.reduce(band, 0, cv2.REDUCE_MAX))[0]
    reach = np.zeros(3)
    if not np.any(columns > limit):
        return reach
    for x in range(0, band.shape[1], BLOCK_PX):
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
