"""Whether two scans show the fine detail of a place equally sharply."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

OCTAVE_PX = (0.8, 1.6)  # standard deviations of the blurs between which fine detail lies
LEAST_LIKENESS = 0.8  # correlation of the detail: below it noise, or relief that lay turned, is not told from sharpness
MARGIN_PX = 6
Float32Array = NDArray[np.float32]


def sharpness_ratio(first: Float32Array, second: Float32Array) -> float | None:
    """Fine detail of the second picture (h, w) over that of the first, 1 when both are as sharp.

    None where they do not show the same detail, or none.
    """
    a, b = (_detail(one) for one in (first, second))
    powers = float((a * a).mean()), float((b * b).mean())
    if min(powers) <= 0.0:
        return None
    likeness = float((a * b).mean()) / float(np.sqrt(powers[0] * powers[1]))
    return float(np.sqrt(powers[1] / powers[0])) if likeness >= LEAST_LIKENESS else None


def _detail(picture: Float32Array) -> Float32Array:
    fine, coarse = (np.asarray(cv2.GaussianBlur(picture, (0, 0), sigma), np.float32) for sigma in OCTAVE_PX)
    return (fine - coarse)[MARGIN_PX:-MARGIN_PX, MARGIN_PX:-MARGIN_PX]
