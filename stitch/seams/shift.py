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

BLURS_PX = (3.0, 1.5, 1.5, 1.5)  # from coarse to fine: one step of the search each
STEPS_PER_BLUR = 2
SETTLED_PX = 0.003  # a step shorter than this is the last one of its blur
CORRELATED_SAMPLES = 4 * np.pi * BLURS_PX[-1] ** 2  # neighbours that share noise after the last blur
SIGMA_SHARE = 1.5  # true errors ÷ this bound on simulated scans of known truth, 95th percentiles
MOST_SIGMA_PX = 0.1
LEAST_CORRELATION = 0.5
ROBUST_ROUNDS = 2
ROBUST_WIDTH = 3.0
MOST_CONDITION = 1e6  # of the equations of the shift: the largest slope's light ÷ the least
SPREAD_STEP = 2  # of the samples whose typical remainder is taken
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
    """The shift between two pictures of one place, up to some 5 px.

    Parameters
    ----------
    first, second : (h, w) or (h, w, k); several planes share one shift, each has a gain and an offset of its own and
        counts as much as its noise allows.

    None where there is too little detail to tell, in either direction, or where the pictures do not match.
    """
    planes_a, planes_b = (np.atleast_3d(side) for side in (first, second))
    shift, step = np.zeros(2), None
    for blur in BLURS_PX:
        a, b = (_blurred(side, blur) for side in (planes_a, planes_b))
        for _ in range(STEPS_PER_BLUR):
            step = _step(a, b, shift)
            if step is None:
                return None
            shift += step.move
            if np.abs(shift).max() > MARGIN_PX:
                return None
            if step.is_last:
                break
        if step is not None and step.is_last and blur == BLURS_PX[-1]:
            break
    if step is None or step.sigma_px > MOST_SIGMA_PX or step.correlation < LEAST_CORRELATION:
        return None
    return Shift(float(shift[0]), float(shift[1]), step.sigma_px)


def _blurred(planes: Float32Array, sigma_px: float) -> list[Float32Array]:
    return [
        np.asarray(cv2.GaussianBlur(np.ascontiguousarray(planes[..., k]), (0, 0), sigma_px), np.float32)
        for k in range(planes.shape[2])
    ]


@dataclass(frozen=True, slots=True, eq=False)
class _Step:
    move: NDArray[np.float64]
    sigma_px: float
    correlation: float

    @property
    def is_last(self) -> bool:
        """Whether it moves so little that another of the same blur would find nothing."""
        return bool(np.abs(self.move).max() < SETTLED_PX)


@dataclass(frozen=True, slots=True, eq=False)
class _Plane:
    """The equations of one plane: shift along x and y, gain, offset; and what it has to say by itself."""

    normal: NDArray[np.float64]  # (4, 4)
    right: NDArray[np.float64]  # (4,)
    gain: float
    variance: float  # of what is left, for a sample of its own
    left_share: float  # of the picture's own variance that is left unexplained


def _step(a: list[Float32Array], b: list[Float32Array], shift: NDArray[np.float64]) -> _Step | None:
    planes = [plane for one, other in zip(a, b, strict=True) if (plane := _plane(one, other, shift)) is not None]
    if not planes:
        return None
    normal, right = np.zeros((2, 2)), np.zeros(2)
    for plane in planes:
        cross, own = plane.normal[:2, 2:], plane.normal[2:, 2:]
        weight = 1.0 / max(plane.variance, 1e-18)
        normal += weight * (plane.normal[:2, :2] - cross @ np.linalg.solve(own, cross.T))
        right += weight * (plane.right[:2] - cross @ np.linalg.solve(own, plane.right[2:]))
    if np.linalg.cond(normal) > MOST_CONDITION:
        return None
    gain = float(np.mean([max(plane.gain, 0.2) for plane in planes]))
    sigma = SIGMA_SHARE * float(np.sqrt(np.linalg.inv(normal).diagonal().max()))
    correlation = 1.0 - min(plane.left_share for plane in planes)
    return _Step(np.asarray(np.linalg.solve(normal, right) / gain, np.float64), sigma, correlation)


def _plane(a: Float32Array, b: Float32Array, shift: NDArray[np.float64]) -> _Plane | None:
    matrix = np.array([[1.0, 0.0, shift[0]], [0.0, 1.0, shift[1]]])
    size = (a.shape[1], a.shape[0])
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    moved = np.asarray(cv2.warpAffine(b, matrix, size, flags=flags, borderMode=cv2.BORDER_REPLICATE))
    inner = slice(MARGIN_PX, -MARGIN_PX)
    twice = a + moved
    x, y = moved[inner, inner], a[inner, inner]
    known = np.empty((5, x.size), np.float32)  # slopes, b and 1, which a is explained by, and a itself
    rows = known.reshape(5, *x.shape)
    np.subtract(twice[inner, MARGIN_PX + 1 : 1 - MARGIN_PX], twice[inner, MARGIN_PX - 1 : -MARGIN_PX - 1], out=rows[0])
    np.subtract(twice[MARGIN_PX + 1 : 1 - MARGIN_PX, inner], twice[MARGIN_PX - 1 : -MARGIN_PX - 1, inner], out=rows[1])
    known[:2] *= 0.25
    np.subtract(x, x.mean(), out=rows[2])
    known[3] = 1.0
    np.subtract(y, y.mean(), out=rows[4])
    weight = np.ones(x.size, np.float32)
    for _ in range(ROBUST_ROUNDS):
        products = (known * weight) @ known.T
        normal, right = products[:4, :4].astype(np.float64), products[:4, 4].astype(np.float64)
        if not _is_solvable(normal):
            return None
        solution = np.linalg.solve(normal, right)
        left = known[4] - solution.astype(np.float32) @ known[:4]
        used_weight, weight = weight, _robust(left)
    used = float(used_weight.sum())
    variance = float(used_weight @ (left * left)) / used * CORRELATED_SAMPLES
    total = float(products[4, 4]) - float(products[3, 4]) ** 2 / used
    left_share = variance * used / CORRELATED_SAMPLES / total if total > 0 else 1.0
    return _Plane(normal, right, float(solution[2]), variance, left_share)


def _is_solvable(normal: NDArray[np.float64]) -> bool:
    """Whether the slopes point in more than one direction, and the picture is not even."""
    xx, xy, yy = normal[0, 0], normal[0, 1], normal[1, 1]
    half, apart = (xx + yy) / 2, float(np.hypot((xx - yy) / 2, xy))
    if half + apart > MOST_CONDITION * (half - apart) or normal[2, 2] == 0.0:
        return False
    return int(np.linalg.matrix_rank(normal)) == len(normal)


def _robust(left: Float32Array) -> Float32Array:
    """Weights that leave out what only one picture shows, a speck of dust (Geman and McClure, 1987)."""
    spread = 1.4826 * float(np.median(np.abs(left[::SPREAD_STEP])))
    return np.asarray(1 / (1 + (left / np.float32(max(ROBUST_WIDTH * spread, 1e-12))) ** 2) ** 2, np.float32)
