"""Sub-pixel shifts between stacks of patches: gradient least squares with averaged gradients.

The estimator is the iterated one of Lucas and Kanade (IJCAI 1981, 674–679) with the mean of both patches' gradients,
which removes the first-order bias that Robinson and Milanfar describe (IEEE TIP 13(9), 2004).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

FloatStack = NDArray[Any]  # float32

ITERATIONS = 6
PLAIN_ITERATIONS = 2  # before pixels that do not fit lose their weight
TRUST_STEP = 2  # of the pixels that a patch's typical residual is taken from
ROBUST_WIDTH = 3.0  # of the residual's deviation
SETTLED_PX = 0.001
KERNEL_LOBES = 4
MARGIN_PX = KERNEL_LOBES + 2
LEAST_HELD_SHARE = 0.01  # of the gradients across an edge: fainter ones along it are drowned by what the edge does
PATCH = (1, 2, 3)  # axes of channels, rows and columns
UNHELD_SHARE = 1e-6  # of all gradients, left for a direction that nothing holds
NOISE_CORRELATION = 8.0  # band-passed noise is correlated between pixels: variance grows by about this much


@dataclass(frozen=True, slots=True, eq=False)
class Shifts:
    """Of n patches: where b must be read so that it shows what a shows."""

    shift_px: NDArray[np.float64]  # (n, 2), x and y
    covariance_px2: NDArray[np.float64]  # (n, 2, 2)
    ncc: NDArray[np.float64]  # (n,) correlation after alignment
    centre_px: NDArray[np.float64]  # (n, 2) from the middle of the patch: where what decided the shift lies


def estimate(a: FloatStack, b: FloatStack, weight: FloatStack | None = None) -> Shifts:
    """Shifts s so that b(x + s) looks like a(x).

    Parameters
    ----------
    a : (n, size, size) or (n, channels, size, size) band-passed patches; channels with like noise.
    b : (…, size + 2·MARGIN_PX, size + 2·MARGIN_PX), the same places with a margin, within about a pixel of a.
    weight : (n, size, size) 0..1, which pixels count; all when None.
    """
    if a.ndim == 3:
        a, b = a[:, None], b[:, None]
    seen = np.ones_like(a) if weight is None else np.broadcast_to(weight[:, None], a.shape)
    w = seen
    shift = np.zeros((len(a), 2))
    gradient_a = _gradients(a)
    for round_number in range(ITERATIONS):
        moved = shifted(b, shift)
        gradient_b = _gradients(moved)
        residual = a - _gain(a, moved, w) * moved
        if round_number >= PLAIN_ITERATIONS:
            w = seen * _trust(residual, seen)
        gx, gy = (gradient_a[0] + gradient_b[0]) / 2, (gradient_a[1] + gradient_b[1]) / 2
        normal, right = _normal(gx, gy, residual, w)
        step = np.clip(np.linalg.solve(normal, right[..., None])[..., 0], -1, 1)
        shift = np.clip(shift + step, -MARGIN_PX + KERNEL_LOBES, MARGIN_PX - KERNEL_LOBES)
        if round_number > PLAIN_ITERATIONS and np.abs(step).max(initial=0) < SETTLED_PX:
            break
    moved = shifted(b, shift)
    residual = a - _gain(a, moved, w) * moved
    share = np.maximum(seen.mean(axis=PATCH, dtype=np.float64), 1e-6)
    variance = (residual**2 * seen).mean(axis=PATCH, dtype=np.float64) / share
    covariance = np.linalg.inv(_without_noise(normal, residual, seen)) * (variance * NOISE_CORRELATION)[:, None, None]
    return Shifts(shift, covariance, _correlation(a, moved, seen), _centres(((gx * gx + gy * gy) * w).sum(axis=1)))


def shifted(b: FloatStack, shift: NDArray[np.float64]) -> FloatStack:
    """Patches (n, channels, h, w), each read at its own sub-pixel shift by Lagrange interpolation, without margin."""
    whole = np.floor(shift).astype(int)
    weights = _lagrange_weights(shift - whole)
    size = b.shape[-1] - 2 * MARGIN_PX
    out = np.empty((*b.shape[:2], size, size), np.float32)
    first_tap = (KERNEL_LOBES - 1, KERNEL_LOBES - 1)
    for patch, (wx, wy), (x, y), into in zip(b, weights, whole + MARGIN_PX, out, strict=True):
        for channel, target in zip(patch, into, strict=True):
            read = cv2.sepFilter2D(channel, cv2.CV_32F, wx, wy, anchor=first_tap)
            target[:] = read[y : y + size, x : x + size]
    return out


def _lagrange_weights(fraction: NDArray[np.float64]) -> NDArray[np.float32]:
    """Weights of the pixels around a fraction 0..1, exact for polynomials up to degree 2·KERNEL_LOBES − 1."""
    taps = np.arange(-KERNEL_LOBES + 1, KERNEL_LOBES + 1)
    is_own = np.eye(len(taps), dtype=bool)
    factors = (fraction[..., None, None] - taps) / np.where(is_own, 1, taps[:, None] - taps)
    return np.where(is_own, 1.0, factors).prod(axis=-1).astype(np.float32)


def _gradients(stack: FloatStack) -> tuple[FloatStack, FloatStack]:
    """Central differences along x and y, 0 where a neighbour is missing."""
    tall = np.ascontiguousarray(stack).reshape(-1, stack.shape[-1])
    along_x, along_y = (cv2.Sobel(tall, cv2.CV_32F, *order, ksize=1, scale=0.5) for order in ((1, 0), (0, 1)))
    gx, gy = along_x.reshape(stack.shape), along_y.reshape(stack.shape)
    gx[..., 0] = gx[..., -1] = 0
    gy[..., 0, :] = gy[..., -1, :] = 0
    return gx, gy


def _gain(a: FloatStack, b: FloatStack, w: FloatStack) -> FloatStack:
    power_a = np.sqrt((a * a * w).sum(axis=PATCH, keepdims=True))
    power_b = np.sqrt((b * b * w).sum(axis=PATCH, keepdims=True))
    return power_a / np.maximum(power_b, 1e-12)


def _centres(energy: FloatStack) -> NDArray[np.float64]:
    """Centre of mass of (n, size, size), from the middle of the patch, (n, 2)."""
    place = np.arange(energy.shape[1]) - (energy.shape[1] - 1) / 2
    total = np.maximum(energy.sum(axis=(1, 2), dtype=np.float64), 1e-30)
    x = (energy.sum(axis=1, dtype=np.float64) * place).sum(axis=1) / total
    y = (energy.sum(axis=2, dtype=np.float64) * place).sum(axis=1) / total
    return np.column_stack([x, y])


def _trust(residual: FloatStack, seen: FloatStack) -> FloatStack:
    """Weights of pixels by how well they fit: a sheet's sharp edge or a grain of dust must not outvote the paint.

    Geman and McClure (Bull. Int. Stat. Inst. 52, 1987), at the scale of each patch's median residual, of every second
    row and column.
    """
    few = np.s_[..., ::TRUST_STEP, ::TRUST_STEP]
    size, is_seen = np.abs(residual[few]).reshape(len(residual), -1), (seen[few] > 0).reshape(len(residual), -1)
    middle = np.median(size, axis=1) if is_seen.all() else np.nanmedian(np.where(is_seen, size, np.nan), axis=1)
    scale = 1.4826 * middle
    width = np.maximum(ROBUST_WIDTH * scale, 1e-12).astype(np.float32)
    return 1 / (1 + (residual / width[:, None, None, None]) ** 2) ** 2


def _normal(
    gx: FloatStack, gy: FloatStack, residual: FloatStack, w: FloatStack
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Normal matrices (n, 2, 2) and right-hand sides (n, 2) of the weighted least squares."""
    gx, gy, wx, wy, residual = (one.reshape(len(gx), -1) for one in (gx, gy, gx * w, gy * w, residual))
    pairs = ((wx, gx), (wx, gy), (wy, gy), (wx, residual), (wy, residual))
    xx, xy, yy, along_x, along_y = (np.einsum("np,np->n", p, q).astype(np.float64) for p, q in pairs)
    ridge = 1e-6 * (xx + yy) + 1e-20
    normal = np.stack([np.stack([xx + ridge, xy], -1), np.stack([xy, yy + ridge], -1)], -2)
    return normal, np.stack([along_x, along_y], -1)


def _without_noise(normal: NDArray[np.float64], residual: FloatStack, w: FloatStack) -> NDArray[np.float64]:
    """The normal matrices with the gradients of noise taken out: along a stripe there is nothing but noise.

    Both patches' noise enters the mean gradient as half of what it enters the residual's. A direction in which the
    paint's own gradients do not exceed the noise's is held by nothing.
    """
    gx, gy = _gradients(residual)
    noise = _normal(gx / 2, gy / 2, residual, w)[0]
    values, vectors = np.linalg.eigh(normal - noise)
    floor = np.einsum("nki,nkl,nli->ni", vectors, noise, vectors)
    least = UNHELD_SHARE * np.trace(normal, axis1=1, axis2=2)[:, None]
    is_held = (values > floor) & (values > LEAST_HELD_SHARE * values.max(axis=1, keepdims=True))
    values = np.where(is_held, np.maximum(values, least), least)
    return np.einsum("nki,ni,nli->nkl", vectors, values, vectors)


def _correlation(a: FloatStack, b: FloatStack, w: FloatStack) -> NDArray[np.float64]:
    count = np.maximum(w.sum(axis=PATCH, keepdims=True), 1.0)
    a0 = (a - (a * w).sum(axis=PATCH, keepdims=True) / count) * w
    b0 = (b - (b * w).sum(axis=PATCH, keepdims=True) / count) * w
    power = np.sqrt((a0 * a0).sum(axis=PATCH) * (b0 * b0).sum(axis=PATCH))
    return ((a0 * b0).sum(axis=PATCH) / np.maximum(power, 1e-20)).astype(np.float64)
