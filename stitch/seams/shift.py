"""How far two pictures of the same place are shifted against each other, or that it cannot be told.

Iterated least squares on gradients (Lucas & Kanade, An Iterative Image Registration Technique, IJCAI 1981), with a gain
and an offset left free, so that a difference of tone is not taken for a shift. The expected error follows the
Cramér-Rao bound (Robinson & Milanfar, IEEE Transactions on Image Processing 13(9), 1185–1199, 2004).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

MOST_STEPS = {3.0: 2, 1.5: 6}  # of the search, by the blur they are made on (px), from coarse to fine
SETTLED_PX = 0.003  # a step shorter than this is the last one of its blur
EVERY_PX = 2  # of the blurred pictures' rows and columns: they hold nothing finer
CORRELATED_SAMPLES = 4 * np.pi * (min(MOST_STEPS) / EVERY_PX) ** 2  # neighbours that share noise after the last blur
SIGMA_SHARE = 1.5  # true errors ÷ this bound on simulated scans of known truth, 95th percentiles
MOST_SIGMA_PX = 0.1
LEAST_CORRELATION = 0.5
ROBUST_ROUNDS = 2
ROBUST_WIDTH = 3.0
LEAST_GAIN = 0.2  # a step is not made longer than this asks for
MOST_CONDITION = 1e6  # of the equations of the shift: the largest slope's light ÷ the least
MARGIN_PX = 6  # left out at the sides, where a shifted picture has nothing
TOGETHER = 16  # pictures worked on at once
Float32Array = NDArray[np.float32]
FloatArray = NDArray[np.float64]


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


def shifts_between(firsts: Sequence[Float32Array], seconds: Sequence[Float32Array]) -> list[Shift | None]:
    """The shifts between pairs of pictures of one place each, up to some 5 px.

    Parameters
    ----------
    firsts, seconds : (h, w) or (h, w, k) each, all alike; several planes share one shift, each has a gain and an offset
        of its own and counts as much as its noise allows.

    None where there is too little detail to tell, in either direction, or where the pictures do not match.
    """
    found: list[Shift | None] = []
    for start in range(0, len(firsts), TOGETHER):
        found += _found(*(_planes(side[start : start + TOGETHER]) for side in (firsts, seconds)))
    return found


def _planes(pictures: Sequence[Float32Array]) -> Float32Array:
    """Pictures as (n, k, h, w)."""
    return np.ascontiguousarray(np.stack([np.moveaxis(np.atleast_3d(picture), -1, 0) for picture in pictures]))


def _found(first: Float32Array, second: Float32Array) -> list[Shift | None]:
    count = len(first)
    shift, sigma, correlation = np.zeros((count, 2)), np.full(count, np.inf), np.zeros(count)
    is_alive = np.ones(count, bool)
    for blur, most in MOST_STEPS.items():
        a, b = (_blurred(side, blur) for side in (first, second))
        is_moving = is_alive.copy()
        for _ in range(most):
            moving = np.flatnonzero(is_moving)
            if not len(moving):
                break
            step = _steps(a[moving], b[moving], shift[moving])
            shift[moving] += step.move
            sigma[moving], correlation[moving] = step.sigma_px, step.correlation
            is_alive[moving] = step.is_known & (np.abs(shift[moving]).max(axis=1) <= MARGIN_PX)
            is_moving[moving] = is_alive[moving] & (np.abs(step.move).max(axis=1) >= SETTLED_PX)
    is_told = is_alive & (sigma <= MOST_SIGMA_PX) & (correlation >= LEAST_CORRELATION)
    return [
        Shift(float(shift[i, 0]), float(shift[i, 1]), float(sigma[i])) if is_told[i] else None for i in range(count)
    ]


def _blurred(planes: Float32Array, sigma_px: float) -> Float32Array:
    blurred = np.empty_like(planes)
    for picture, into in zip(
        planes.reshape(-1, *planes.shape[2:]), blurred.reshape(-1, *planes.shape[2:]), strict=True
    ):
        cv2.GaussianBlur(picture, (0, 0), sigma_px, dst=into)
    return blurred


@dataclass(frozen=True, slots=True, eq=False)
class _Steps:
    """One step of n pictures."""

    move: FloatArray  # (n, 2), zeros where nothing is known
    sigma_px: FloatArray  # (n,)
    correlation: FloatArray  # (n,)
    is_known: NDArray[np.bool_]  # (n,)


@dataclass(frozen=True, slots=True, eq=False)
class _Equations:
    """Those of the planes of n pictures, (n, k, ...): shift along x and y, gain, offset; and what each has to say."""

    normal: FloatArray  # (n, k, 4, 4); unit matrices where it cannot be solved
    right: FloatArray  # (n, k, 4)
    gain: FloatArray  # (n, k)
    variance: FloatArray  # of what is left, for a sample of its own
    left_share: FloatArray  # of the picture's own variance that is left unexplained
    is_solvable: NDArray[np.bool_]  # (n, k)


def _steps(a: Float32Array, b: Float32Array, shift: FloatArray) -> _Steps:
    found = _equations(a, b, shift)
    cross, own = found.normal[..., :2, 2:], found.normal[..., 2:, 2:]
    weight = found.is_solvable / np.maximum(found.variance, 1e-18)
    inner = found.normal[..., :2, :2] - cross @ np.linalg.solve(own, cross.swapaxes(-1, -2))
    pull = found.right[..., :2] - (cross @ np.linalg.solve(own, found.right[..., 2:, None]))[..., 0]
    normal, right = (weight[..., None, None] * inner).sum(axis=1), (weight[..., None] * pull).sum(axis=1)
    is_known = found.is_solvable.any(axis=1)
    normal[~is_known] = np.eye(2)
    is_known &= np.linalg.cond(normal) <= MOST_CONDITION
    normal[~is_known] = np.eye(2)
    solvable = np.maximum(found.is_solvable.sum(axis=1), 1)
    gain = (np.maximum(found.gain, LEAST_GAIN) * found.is_solvable).sum(axis=1) / solvable
    move = np.linalg.solve(normal, right[..., None])[..., 0] / np.where(is_known, gain, 1.0)[:, None]
    sigma = SIGMA_SHARE * np.sqrt(np.diagonal(np.linalg.inv(normal), axis1=1, axis2=2).max(axis=1))
    share = np.where(found.is_solvable, found.left_share, np.inf).min(axis=1)
    return _Steps(np.where(is_known[:, None], move, 0.0), sigma, 1.0 - share, is_known)


def _equations(a: Float32Array, b: Float32Array, shift: FloatArray) -> _Equations:
    known = _explaining(a, _moved(b, shift))
    weight = np.ones((*known.shape[:2], known.shape[-1]), np.float32)
    is_solvable = np.ones(known.shape[:2], bool)
    for _ in range(ROBUST_ROUNDS):
        products = ((known * weight[:, :, None]) @ known.swapaxes(-1, -2)).astype(np.float64)
        normal, right = products[..., :4, :4], products[..., :4, 4]
        is_solvable &= _is_solvable(normal)
        normal[~is_solvable] = np.eye(4)
        solution = np.linalg.solve(normal, right[..., None])[..., 0]
        left = known[:, :, 4] - (solution.astype(np.float32)[:, :, None] @ known[:, :, :4])[:, :, 0]
        used_weight, weight = weight, _robust(left)
    used = used_weight.sum(axis=-1).astype(np.float64)
    variance = (used_weight * (left * left)).sum(axis=-1).astype(np.float64) / used * CORRELATED_SAMPLES
    total = products[..., 4, 4] - products[..., 3, 4] ** 2 / used
    left_share = np.where(total > 0, variance * used / CORRELATED_SAMPLES / np.maximum(total, 1e-30), 1.0)
    return _Equations(normal, right, np.asarray(solution[..., 2], np.float64), variance, left_share, is_solvable)


def _moved(planes: Float32Array, shift: FloatArray) -> Float32Array:
    """Every picture (n, k, h, w) moved back by its shift."""
    moved, size = np.empty_like(planes), planes.shape[:1:-1]
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    for picture, (x, y), into in zip(planes, shift, moved, strict=True):
        matrix = np.array([[1.0, 0.0, x], [0.0, 1.0, y]])
        for plane, target in zip(picture, into, strict=True):
            cv2.warpAffine(plane, matrix, size, dst=target, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return moved


def _explaining(a: Float32Array, moved: Float32Array) -> Float32Array:
    """Slopes, b and 1, which a is explained by, and a itself: (n, k, 5, samples)."""
    before, inner, after = (slice(MARGIN_PX + by, by - MARGIN_PX, EVERY_PX) for by in (-1, 0, 1))
    twice = a + moved
    x, y = moved[..., inner, inner], a[..., inner, inner]
    known = np.empty((*a.shape[:2], 5, x.shape[2] * x.shape[3]), np.float32)
    rows = known.reshape(*a.shape[:2], 5, *x.shape[2:])
    np.subtract(twice[..., inner, after], twice[..., inner, before], out=rows[:, :, 0])
    np.subtract(twice[..., after, inner], twice[..., before, inner], out=rows[:, :, 1])
    known[:, :, :2] *= 0.25
    np.subtract(x, x.mean(axis=(2, 3), keepdims=True), out=rows[:, :, 2])
    known[:, :, 3] = 1.0
    np.subtract(y, y.mean(axis=(2, 3), keepdims=True), out=rows[:, :, 4])
    return known


def _is_solvable(normal: FloatArray) -> NDArray[np.bool_]:
    """Whether the slopes point in more than one direction, and the picture is not even: of (n, k, 4, 4)."""
    xx, xy, yy = normal[..., 0, 0], normal[..., 0, 1], normal[..., 1, 1]
    half, apart = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    is_even = (half + apart > MOST_CONDITION * (half - apart)) | (normal[..., 2, 2] == 0.0)
    return np.asarray(~is_even & (np.linalg.matrix_rank(normal) == normal.shape[-1]))


def _robust(left: Float32Array) -> Float32Array:
    """Weights that leave out what only one picture shows, a speck of dust (Geman and McClure, 1987)."""
    spread = np.median(np.abs(left), axis=-1, keepdims=True)
    width = np.maximum(np.float32(ROBUST_WIDTH * 1.4826) * spread, np.float32(1e-12))
    return np.asarray(1 / (1 + (left / width) ** 2) ** 2, np.float32)
