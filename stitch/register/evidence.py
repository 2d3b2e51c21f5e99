"""The signal that matching looks at: band-passed paint.

Scans that lie the same way up are lit from the same side, so everything they show agrees: luminance is used. When
one is turned, relief (tooth, weave, impasto) reads inverted, and granulation that follows the relief drags a
luminance match along with it. Relief shades all three channels by the same factor, so it cancels in the logarithm
of a ratio of channels: turned pairs are matched on log-chroma.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

DARK_FLOOR = 0.02  # encoded; below it a ratio of channels is noise
SAME_WAY_SIGMAS_PX = (0.7, 6.0)
TURNED_SIGMAS_PX = (1.0, 8.0)
REACH_PX = 20  # beyond this the widest of the filters sees nothing


def evidence(rgb: NDArray[np.float32], turn_deg: int) -> NDArray[np.float32]:
    """Band-passed evidence of encoded RGB 0..1, (h, w, 3) to (h, w), for a pair turned by `turn_deg`."""
    if turn_deg == 0:
        return band_pass(rgb @ np.array([0.3, 0.6, 0.1], dtype=np.float32), SAME_WAY_SIGMAS_PX)
    logs = np.log(np.maximum(rgb, DARK_FLOOR))
    return band_pass(logs[..., 0] + logs[..., 2] - 2 * logs[..., 1], TURNED_SIGMAS_PX)


def band_pass(signal: NDArray[np.float32], sigmas_px: tuple[float, float]) -> NDArray[np.float32]:
    """Difference of two Gaussians."""
    fine, coarse = sigmas_px
    smooth = cv2.GaussianBlur(signal, (0, 0), fine, borderType=cv2.BORDER_REFLECT_101)
    return smooth - cv2.GaussianBlur(signal, (0, 0), coarse, borderType=cv2.BORDER_REFLECT_101)


def as_float(pixels: NDArray[Any]) -> NDArray[np.float32]:
    """Codes to encoded values 0..1 as float32."""
    return pixels.astype(np.float32) * np.float32(1.0 / np.iinfo(pixels.dtype).max)
