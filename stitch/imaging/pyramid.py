"""Pyramids of frequency bands, anchored to the canvas.

Burt & Adelson, A Multiresolution Spline with Application to Image Mosaics, ACM Transactions on Graphics 2(4),
217–236, 1983, with their generating kernel 1 4 6 4 1 (a = 3/8). A coarser level keeps the even samples, so windows
must start and end on multiples of 2**levels (`aligned`): then every window works on the same grid.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.model.geometry import Window

Float32Array = NDArray[np.float32]


def reach_px(levels: int) -> int:
    """How far a pixel's result depends on others: down the pyramid 2(2^L − 1), up again 2(2^L − 1), rounded up."""
    return 4 * 2**levels


def aligned(window: Window, levels: int) -> Window:
    """The smallest window around `window` whose sides lie on multiples of 2**levels."""
    step = 2**levels
    x0, y0 = window.x0_px // step * step, window.y0_px // step * step
    x1, y1 = -(-window.x1_px // step) * step, -(-window.y1_px // step) * step
    return Window(x0, y0, x1 - x0, y1 - y0)


def gaussians(values: Float32Array, levels: int) -> list[Float32Array]:
    """`values` (h, w) or (h, w, c) and `levels` ever coarser copies."""
    found = [values]
    for _ in range(levels):
        found.append(_down(found[-1]))
    return found


def bands(values: Float32Array, known: NDArray[np.bool_] | None, levels: int) -> list[Float32Array]:
    """Frequency bands of `values` (h, w, 3), finest first, the last being what is left at the coarsest level.

    Where `known` (h, w) is False there is no value: coarser levels are averages of the known pixels only, and bands
    finer than the nearest known pixel are zero. Without it everything is known and `collapsed` gives `values` back.
    """
    if known is None:
        levels_found = gaussians(values, levels)
        return [_minus_coarser(levels_found, i) for i in range(levels)] + [levels_found[-1]]
    weights = gaussians(known.astype(np.float32), levels)
    sums = gaussians(cv2.multiply(values, _three(weights[0])), levels)
    means = [_ratio(total, _three(weight)) for total, weight in zip(sums, weights, strict=True)]
    found = [_minus_coarser(means, i) for i in range(levels)]
    return [cv2.multiply(band, _three(_as_mask(w))) for band, w in zip(found, weights, strict=False)] + [means[-1]]


def shares(mask: NDArray[np.bool_], valid: NDArray[np.bool_] | None, levels: int) -> list[Float32Array]:
    """Weight 0..1 of a region in every band: its low-passed mask as a share of what is valid at all (h, w)."""
    parts = gaussians(mask.astype(np.float32), levels)
    if valid is None:
        return parts
    wholes = gaussians(valid.astype(np.float32), levels)
    return [_ratio(part, whole) for part, whole in zip(parts, wholes, strict=True)]


def add_weighted(total: list[Float32Array], found: list[Float32Array], weights: list[Float32Array]) -> None:
    """total += weight × band, level by level, in place."""
    for level, (band, weight) in enumerate(zip(found, weights, strict=True)):
        cv2.accumulateProduct(band, _three(weight), total[level])


def empty_bands(height: int, width: int, levels: int) -> list[Float32Array]:
    """Zeros for `add_weighted`; sides are multiples of 2**levels."""
    return [np.zeros((height >> level, width >> level, 3), dtype=np.float32) for level in range(levels + 1)]


def collapsed(found: list[Float32Array]) -> Float32Array:
    """The sum of all bands at full size."""
    total = found[-1]
    for band in reversed(found[:-1]):
        total = cv2.add(_up(total, band), band)
    return total


def _minus_coarser(levels_found: list[Float32Array], index: int) -> Float32Array:
    fine = levels_found[index]
    return _array(cv2.subtract(fine, _up(levels_found[index + 1], fine)))


def _down(values: Float32Array) -> Float32Array:
    return _array(cv2.pyrDown(values))


def _up(values: Float32Array, like: Float32Array) -> Float32Array:
    return _array(cv2.pyrUp(values, dstsize=(like.shape[1], like.shape[0])))


def _three(weights: Float32Array) -> Float32Array:
    return _array(cv2.cvtColor(weights, cv2.COLOR_GRAY2RGB))


def _as_mask(weights: Float32Array) -> Float32Array:
    return (weights > 0).astype(np.float32)


def _ratio(part: Float32Array, whole: Float32Array) -> Float32Array:
    return np.divide(part, whole, out=np.zeros_like(part), where=whole > 0)


def _array(values: Any) -> Float32Array:
    return np.asarray(values, dtype=np.float32)
