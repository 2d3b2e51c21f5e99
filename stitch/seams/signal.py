"""What two scans are compared by at a seam: luminance, or colour alone where they lay differently turned.

Turned pieces are lit from another side, so that relief reads inverted, and granulation that follows the relief drags a
luminance match along with it by a px and more. Relief shades the light of all three channels by one factor, which
cancels in the logarithm of a ratio of linear light (of encoded values only where the curve is a pure power).
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging.colour import Encoding

DARK_LIGHT = 0.002  # linear; below it a ratio of channels is noise
Float32Array = NDArray[np.float32]


def compared(encoded: Float32Array, encoding: Encoding, *, is_turned: bool) -> Float32Array:
    """Encoded RGB (h, w, 3), 0..1, as the planes (h, w, k) that are compared."""
    if not is_turned:
        return np.asarray(cv2.cvtColor(encoded, cv2.COLOR_RGB2GRAY), dtype=np.float32)[..., None]
    logs = np.log(np.maximum(encoding.decode(encoded), DARK_LIGHT))
    return np.asarray(np.dstack([logs[..., 0] - logs[..., 1], logs[..., 2] - logs[..., 1]]), dtype=np.float32)
