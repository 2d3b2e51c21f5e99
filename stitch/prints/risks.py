"""Where a print is likeliest to disappoint: on a small copy, the darkest, most saturated and palest painted parts."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

PALE_L, PALE_SPREAD = 90.0, 6.0  # lightness of a wash that a print loses first
WASH_CHROMA = (1.5, 14.0)  # less is paper, more is no pale wash
SHARED_MOST = 0.5  # of a strip may lie in another one


@dataclass(frozen=True, slots=True)
class Risk:
    """A strip to be proofed: what it is, and its middle as shares of width and height."""

    words: str
    middle: tuple[float, float]


def _darkness(lab: FloatArray) -> FloatArray:
    return np.asarray(-lab[..., 0])


def _saturation(lab: FloatArray) -> FloatArray:
    return np.asarray(np.hypot(lab[..., 1], lab[..., 2]))


def _pale_wash(lab: FloatArray) -> FloatArray:
    chroma = np.hypot(lab[..., 1], lab[..., 2])
    is_wash = (chroma > WASH_CHROMA[0]) & (chroma < WASH_CHROMA[1])
    return np.asarray(np.exp(-(((lab[..., 0] - PALE_L) / PALE_SPREAD) ** 2)) * is_wash)


SCORES: Mapping[str, Callable[[FloatArray], FloatArray]] = {
    "darkest": _darkness,
    "most saturated": _saturation,
    "palest wash": _pale_wash,
}


def riskiest(lab: FloatArray, share: tuple[float, float]) -> tuple[Risk, ...]:
    """One strip of each kind, hardly overlapping.

    lab : (h, w, 3) CIELAB of a small copy. share : the strip's width and height as shares of the work's.
    """
    height, width = lab.shape[:2]
    across, down = (min(max(round(s * n), 1), n) for s, n in zip(share, (width, height), strict=True))
    taken: list[tuple[int, int]] = []
    found = []
    for words, score in SCORES.items():
        held = _windowed(score(lab).astype(np.float32), across, down)
        for x, y in taken:
            _bar(held, x, y, across, down)
        top, left = divmod(int(held.argmax()), held.shape[1])
        taken.append((left, top))
        found.append(Risk(words, ((left + across / 2) / width, (top + down / 2) / height)))
    return tuple(found)


def _windowed(score: Float32Array, across: int, down: int) -> Float32Array:
    """Mean over every window, by its top-left px."""
    total = cv2.integral(score)
    held = total[down:, across:] - total[:-down, across:] - total[down:, :-across] + total[:-down, :-across]
    return np.asarray(held / (across * down), dtype=np.float32)


def _bar(held: Float32Array, x: int, y: int, across: int, down: int) -> None:
    """Rule out windows that share too much with the one at (x, y), unless nothing would be left."""
    keep = held.copy()
    dx, dy = int(across * (1 - SHARED_MOST)), int(down * (1 - SHARED_MOST))
    held[max(y - dy, 0) : y + dy + 1, max(x - dx, 0) : x + dx + 1] = -np.inf
    if not np.isfinite(held).any():
        held[:] = keep
