"""Resizing while a picture's rows go by: both ways by one separable kernel, any number of sizes from one reading.

The kernel is a sinc under a Kaiser window (Oppenheim & Schafer, Discrete-Time Signal Processing, 3rd ed., 7.5.3), as
wide as the reduction asks: from the new half sampling frequency on it lies 41 dB down and more, so that nothing
aliases; up to 0.35 cycle/px of the new grid 0.97 and more is kept. Values are mixed as encoded, not in linear light,
so that dark parts keep no halo. The sums are matrix products over blocks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stitch.model.geometry import Size
from stitch.prints.fit import Part

Float32Array = NDArray[np.float32]

REACH_PX = 8  # of the new grid, to each side
BETA = 3.975  # 45 dB
CUTOFF = 0.42  # cycle/px of the new grid, half height
ENLARGE_REACH_PX, ENLARGE_BETA, ENLARGE_CUTOFF = 6, 6.0, 0.5  # of the old grid: at equal size pixels stay themselves
BLOCK_PX = 32


@dataclass(frozen=True, slots=True, eq=False)
class _Block:
    """Output pixels `first` to `first + n` from source pixels `begin` to `begin + m`: weights (m, n)."""

    first: int
    begin: int
    weights: Float32Array


class Axis:
    """One direction: which source pixels make which output pixel.

    length : of the source, px. start, extent : the part shown, px from the outer edge. count : output px.
    Beyond the source's ends its last pixel repeats.
    """

    def __init__(self, length: int, start: float, extent: float, count: int) -> None:
        self.count = count
        step = extent / count
        wide = max(step, 1.0)
        reach, beta, cutoff = (
            (REACH_PX, BETA, CUTOFF) if step > 1.0 else (ENLARGE_REACH_PX, ENLARGE_BETA, ENLARGE_CUTOFF)
        )
        centres = start + (np.arange(count) + 0.5) * step - 0.5
        taps = math.ceil(reach * wide) * 2 + 1
        self.indices = np.rint(centres).astype(np.int64)[:, None] + np.arange(taps) - taps // 2
        weights = _kernel((self.indices - centres[:, None]) / wide, reach, beta, cutoff)
        self.weights = weights / weights.sum(axis=1, keepdims=True)
        self.indices = self.indices.clip(0, length - 1)
        self.first, self.last = int(self.indices.min()), int(self.indices.max())

    def dense(self, first: int, stop: int, begin: int, end: int) -> Float32Array:
        """Weights (end − begin, stop − first) of source pixels begin..end for outputs first..stop."""
        found = np.zeros((stop - first, end - begin), np.float64)
        at = self.indices[first:stop] - begin
        inside = (at >= 0) & (at < end - begin)
        rows = np.broadcast_to(np.arange(stop - first)[:, None], at.shape)
        np.add.at(found, (rows[inside], at[inside]), self.weights[first:stop][inside])
        return np.ascontiguousarray(found.T, dtype=np.float32)

    def blocks(self) -> list[_Block]:
        """The whole direction in blocks."""
        made = []
        for first in range(0, self.count, BLOCK_PX):
            stop = min(first + BLOCK_PX, self.count)
            near = self.indices[first:stop]
            begin, end = int(near.min()), int(near.max()) + 1
            made.append(_Block(first, begin, self.dense(first, stop, begin, end)))
        return made


def _kernel(t: NDArray[np.float64], reach: int, beta: float, cutoff: float) -> NDArray[np.float64]:
    inside = np.clip(1.0 - (t / reach) ** 2, 0.0, None)
    window = np.where(np.abs(t) < reach, np.i0(beta * np.sqrt(inside)) / np.i0(beta), 0.0)
    return np.asarray(np.sinc(2 * cutoff * t) * window)


class Resizer:
    """Takes a picture's rows from the top down, gives rows of the resized part as they become known."""

    def __init__(self, source: Size, part: Part, out: Size) -> None:
        self.out = out
        self._across = Axis(source.width_px, part.x0, part.width, out.width_px)
        self._down = Axis(source.height_px, part.y0, part.height, out.height_px)
        self._blocks = self._across.blocks()
        self._last_needed = self._down.indices.max(axis=1)
        self._first_needed = self._down.indices.min(axis=1)
        self._done_count = 0
        self._open = np.zeros((0, 3, out.width_px), np.float32)  # rows begun, from `_done_count` on

    @property
    def rows(self) -> tuple[int, int]:
        """First source row needed, and the one after the last."""
        return self._down.first, self._down.last + 1

    def take(self, planes: Float32Array, begin: int) -> Float32Array:
        """Take source rows from `begin` on: (3, n, width), float32; returns finished rows (k, 3, out width)."""
        end = begin + planes.shape[1]
        first = self._done_count
        stop = int(np.searchsorted(self._first_needed, end))  # outputs that begin before these rows end
        if stop <= first or end <= self._down.first:
            return np.zeros((0, 3, self.out.width_px), np.float32)
        narrow = self._narrowed(planes)
        weights = self._down.dense(first, stop, begin, end).T
        if self._open.shape[0] < stop - first:
            more = np.zeros((stop - first - self._open.shape[0], 3, self.out.width_px), np.float32)
            self._open = np.concatenate([self._open, more])
        for channel in range(3):
            self._open[:, channel] += weights @ narrow[channel]
        ready = int(np.searchsorted(self._last_needed, end)) - first
        finished, self._open = self._open[:ready], self._open[ready:].copy()
        self._done_count += ready
        return finished

    def _narrowed(self, planes: Float32Array) -> Float32Array:
        flat = planes.reshape(-1, planes.shape[2])
        made = np.empty((flat.shape[0], self.out.width_px), np.float32)
        for block in self._blocks:
            count, stop = block.weights.shape[1], block.begin + block.weights.shape[0]
            np.matmul(flat[:, block.begin : stop], block.weights, out=made[:, block.first : block.first + count])
        return made.reshape(3, -1, self.out.width_px)
