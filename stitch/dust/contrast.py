"""How much a pixel stands out from its surroundings, in codes and in units of what is usual there."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import px_from_mm

Plane = NDArray[np.float32]

FINE_SIGMA_PX = 0.6
AROUND_MM = 0.55  # standard deviation of the surroundings
USUAL_MM = 2.5  # side of the square in which the usual is measured
LEAST_USUAL = 0.004  # of the code range: noise of a scan
MOST_OF_USUAL = 3.0  # one pixel counts no more than this many deviations in what is usual


def grey_of(codes: NDArray[Any]) -> Plane:
    """Mean of the channels of codes (h, w, 3), 0..1."""
    share = np.full((1, 3), 1 / (3 * np.iinfo(codes.dtype).max), np.float32)
    return np.asarray(cv2.transform(codes.astype(np.float32), share), np.float32)


def margin_px(ppi: float) -> int:
    """Pixels around a window that its contrast depends on."""
    return int(np.ceil(3.5 * px_from_mm(AROUND_MM, ppi) + px_from_mm(USUAL_MM, ppi) / 2)) + 2


def softened(plane: Plane, sigma_px: float) -> Plane:
    """Very nearly a Gaussian's mean, (h, w), by three running means: as quick at any width.

    Their sides are odd and their variances add up to the Gaussian's (Kovesi, DICTA 2010).
    """
    variance = sigma_px * sigma_px
    side = int(np.sqrt(4 * variance + 1))
    side -= 1 - side % 2
    smaller = round((12 * variance - 3 * side * side - 12 * side - 9) / (-4 * side - 4))
    for k in range(3):
        one = side if k < smaller else side + 2
        plane = np.asarray(cv2.blur(plane, (one, one)), np.float32)
    return plane


def contrast(grey: Plane, ppi: float) -> Plane:
    """What is lighter (+) or darker (−) than its surroundings, in codes 0..1, (h, w).

    The surroundings are a mean that leaves out, on a second look, what stands out on the first, so that a speck does
    not pull its own background.
    """
    sigma = px_from_mm(AROUND_MM, ppi)
    fine = cv2.GaussianBlur(grey, (0, 0), FINE_SIGMA_PX)
    first = fine - softened(grey, sigma)
    calm = (np.abs(first) < np.maximum(2 * usual(first, ppi), LEAST_USUAL)).astype(np.float32)
    share = softened(calm, sigma)
    mean = softened(grey * calm, sigma) / np.maximum(share, 1e-3)
    return np.where(share > 0.05, fine - mean, first).astype(np.float32)


def usual(detail: Plane, ppi: float) -> Plane:
    """Standard deviation of detail around each pixel, single strong pixels limited, (h, w)."""
    side = 2 * round(px_from_mm(USUAL_MM, ppi) / 2) + 1
    square = detail * detail
    rough = cv2.blur(square, (side, side))
    limited = np.minimum(square, np.float32(MOST_OF_USUAL**2) * np.maximum(rough, LEAST_USUAL**2) / 4)
    return np.asarray(np.sqrt(np.maximum(cv2.blur(limited, (side, side)), LEAST_USUAL**2)), np.float32)
