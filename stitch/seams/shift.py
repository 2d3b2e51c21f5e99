"""How far two pictures of the same place are shifted against each other, or that it cannot be told.

Iterated least squares on gradients (Lucas & Kanade, An Iterative Image Registration Technique, IJCAI 1981), with a gain
and an offset left free, so that a difference of tone is not taken for a shift. The expected error follows the
Cramér-Rao bound (Robinson & Milanfar, IEEE Transactions on Image Processing 13(9), 1185–1199, 2004).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

BLURS_PX = (3.0, 1.5, 1.0, 1.0, 1.0)  # from coarse to fine: one step of the search each
STEPS_PER_BLUR = 2
CORRELATED_SAMPLES = 4 * np.pi * BLURS_PX[-1] ** 2  # neighbours that share noise after the last blur
MOST_SIGMA_PX = 0.1
LEAST_CORRELATION = 0.5
MARGIN_PX = 6  # left out at the sides, where a shifted picture has nothing
Float32Array = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Shift:
    """A feature at (x, y) of the first picture lies at (x + x_px, y + y_px) of the second."""

    x_px: float
    y_px: float
    sigma_px: float  # expected error, the worse direction

    @property
    def length_px(self) -> float:
        """Length of the shift."""
        return float(np.hypot(self.x_px, self.y_px))


def shift_between(first: Float32Array, second: Float32Array) -> Shift | None:
    """The shift between two grey pictures (h, w) of one place, up to some 5 px.

    None where there is too little detail to tell, in either direction, or where the pictures do not match.
    """
    shift = np.zeros(2)
    step: _Step | None = None
    for blur in BLURS_PX:
        a, b = (np.asarray(cv2.GaussianBlur(side, (0, 0), blur), np.float32) for side in (first, second))
        for _ in range(STEPS_PER_BLUR):
            step = _step(a, b, shift)
            if step is None:
                return None
            shift += step.move
            if np.abs(shift).max() > MARGIN_PX:
                return None
    if step is None or step.sigma_px > MOST_SIGMA_PX or step.correlation < LEAST_CORRELATION:
        return None
    return Shift(float(shift[0]), float(shift[1]), step.sigma_px)


@dataclass(frozen=True, slots=True, eq=False)
class _Step:
    move: NDArray[np.float64]
    sigma_px: float
    correlation: float


def _step(a: Float32Array, b: Float32Array, shift: NDArray[np.float64]) -> _Step | None:
    matrix = np.array([[1.0, 0.0, shift[0]], [0.0, 1.0, shift[1]]])
    size = (a.shape[1], a.shape[0])
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    moved = cv2.warpAffine(b, matrix, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    inner = slice(MARGIN_PX, -MARGIN_PX)
    mean = 0.5 * (a + moved)
    across = 0.5 * (mean[inner, MARGIN_PX + 1 : 1 - MARGIN_PX] - mean[inner, MARGIN_PX - 1 : -MARGIN_PX - 1])
    down = 0.5 * (mean[MARGIN_PX + 1 : 1 - MARGIN_PX, inner] - mean[MARGIN_PX - 1 : -MARGIN_PX - 1, inner])
    x, y = moved[inner, inner].astype(np.float64).ravel(), a[inner, inner].astype(np.float64).ravel()
    design = np.column_stack([across.ravel(), down.ravel(), x - x.mean(), np.ones(x.size)]).astype(np.float64)
    normal = design.T @ design
    if np.linalg.cond(normal[:2, :2]) > 1e6 or normal[2, 2] == 0.0 or np.linalg.matrix_rank(normal) < 4:
        return None
    solution = np.linalg.solve(normal, design.T @ y)
    spread = y - design @ solution
    variance = float(spread @ spread) / x.size * CORRELATED_SAMPLES
    sigma = float(np.sqrt(variance * np.linalg.inv(normal)[:2, :2].diagonal().max()))
    total = float(((y - y.mean()) ** 2).sum())
    correlation = 1.0 - float(spread @ spread) / total if total > 0 else 0.0
    return _Step(solution[:2] / max(solution[2], 0.2), sigma, correlation)
