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

ITERATIONS = 5
SETTLED_PX = 0.001
KERNEL_LOBES = 4
MARGIN_PX = KERNEL_LOBES + 2
UNHELD_SHARE = 1e-6  # of all gradients, left for a direction that nothing holds
NOISE_CORRELATION = 8.0  # band-passed noise is correlated between pixels: variance grows by about this much


@dataclass(frozen=True, slots=True, eq=False)
class Shifts:
    """Of n patches: where b must be read so that it shows what a shows."""

    shift_px: NDArray[np.float64]  # (n, 2), x and y
    covariance_px2: NDArray[np.float64]  # (n, 2, 2)
    ncc: NDArray[np.float64]  # (n,) correlation after alignment


def estimate(a: FloatStack, b: FloatStack) -> Shifts:
    """Shifts s so that b(x + s) looks like a(x).

    Parameters
    ----------
    a : (n, size, size) band-passed patches.
    b : (n, size + 2·MARGIN_PX, size + 2·MARGIN_PX), the same places with a margin, within about a pixel of a.
    """
    shift = np.zeros((len(a), 2))
    gradient_a = _gradients(a)
    for _ in range(ITERATIONS):
        moved = shifted(b, shift)
        gradient_b = _gradients(moved)
        gx, gy = (gradient_a[0] + gradient_b[0]) / 2, (gradient_a[1] + gradient_b[1]) / 2
        gain = _gain(a, moved)
        residual = a - gain * moved
        normal, right = _normal(gx, gy, residual)
        step = np.clip(np.linalg.solve(normal, right[..., None])[..., 0], -1, 1)
        shift = np.clip(shift + step, -MARGIN_PX + KERNEL_LOBES, MARGIN_PX - KERNEL_LOBES)
        if np.abs(step).max(initial=0) < SETTLED_PX:
            break
    moved = shifted(b, shift)
    residual = a - _gain(a, moved) * moved
    variance = residual.var(axis=(1, 2), dtype=np.float64)
    covariance = np.linalg.inv(_without_noise(normal, residual)) * (variance * NOISE_CORRELATION)[:, None, None]
    return Shifts(shift, covariance, _correlation(a, moved))


def shifted(b: FloatStack, shift: NDArray[np.float64]) -> FloatStack:
    """Each patch read at its own sub-pixel shift by Lagrange interpolation, with MARGIN_PX cut from every side."""
    whole = np.floor(shift).astype(int)
    weights = _lagrange_weights(shift - whole)
    size = b.shape[1] - 2 * MARGIN_PX
    out = np.empty((len(b), size, size), np.float32)
    first_tap = (KERNEL_LOBES - 1, KERNEL_LOBES - 1)
    for patch, (wx, wy), (x, y), into in zip(b, weights, whole + MARGIN_PX, out, strict=True):
        read = cv2.sepFilter2D(patch, cv2.CV_32F, wx, wy, anchor=first_tap)
        into[:] = read[y : y + size, x : x + size]
    return out


def _lagrange_weights(fraction: NDArray[np.float64]) -> NDArray[np.float32]:
    """Weights of the pixels around a fraction 0..1, exact for polynomials up to degree 2·KERNEL_LOBES − 1."""
    taps = np.arange(-KERNEL_LOBES + 1, KERNEL_LOBES + 1)
    weights = np.ones((*fraction.shape, len(taps)))
    for k, tap in enumerate(taps):
        for other in taps[taps != tap]:
            weights[..., k] *= (fraction - other) / (tap - other)
    return weights.astype(np.float32)


def _gradients(stack: FloatStack) -> tuple[FloatStack, FloatStack]:
    gx = np.empty_like(stack)
    gy = np.empty_like(stack)
    gx[..., 1:-1] = (stack[..., 2:] - stack[..., :-2]) / 2
    gy[..., 1:-1, :] = (stack[..., 2:, :] - stack[..., :-2, :]) / 2
    gx[..., 0] = gx[..., -1] = 0
    gy[..., 0, :] = gy[..., -1, :] = 0
    return gx, gy


def _gain(a: FloatStack, b: FloatStack) -> FloatStack:
    power_a = np.sqrt((a * a).sum(axis=(1, 2), keepdims=True))
    power_b = np.sqrt((b * b).sum(axis=(1, 2), keepdims=True))
    return power_a / np.maximum(power_b, 1e-12)


def _normal(gx: FloatStack, gy: FloatStack, residual: FloatStack) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    xx, xy, yy = (np.einsum("nij,nij->n", p, q, dtype=np.float64) for p, q in ((gx, gx), (gx, gy), (gy, gy)))
    ridge = 1e-6 * (xx + yy) + 1e-20
    normal = np.stack([np.stack([xx + ridge, xy], -1), np.stack([xy, yy + ridge], -1)], -2)
    right = [np.einsum("nij,nij->n", g, residual, dtype=np.float64) for g in (gx, gy)]
    return normal, np.stack(right, -1)


def _without_noise(normal: NDArray[np.float64], residual: FloatStack) -> NDArray[np.float64]:
    """The normal matrices with the gradients of noise taken out: along a stripe there is nothing but noise.

    Both patches' noise enters the mean gradient as half of what it enters the residual's. A direction in which the
    paint's own gradients do not exceed the noise's is held by nothing.
    """
    gx, gy = _gradients(residual)
    noise = _normal(gx / 2, gy / 2, residual)[0]
    values, vectors = np.linalg.eigh(normal - noise)
    floor = np.einsum("nki,nkl,nli->ni", vectors, noise, vectors)
    least = UNHELD_SHARE * np.trace(normal, axis1=1, axis2=2)[:, None]
    values = np.where(values > floor, np.maximum(values, least), least)
    return np.einsum("nki,ni,nli->nkl", vectors, values, vectors)


def _correlation(a: FloatStack, b: FloatStack) -> NDArray[np.float64]:
    a0 = a - a.mean(axis=(1, 2), keepdims=True)
    b0 = b - b.mean(axis=(1, 2), keepdims=True)
    power = np.sqrt((a0 * a0).sum(axis=(1, 2)) * (b0 * b0).sum(axis=(1, 2)))
    return ((a0 * b0).sum(axis=(1, 2)) / np.maximum(power, 1e-20)).astype(np.float64)
