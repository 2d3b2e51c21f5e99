"""Scans of an invented pattern that is known at every point, seen through a local correction that is known exactly."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitch.imaging.placed_map import PlacedMap, coefficient_count
from stitch.model.geometry import Size, Window
from stitch.model.layout import LocalCorrection

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Pattern:
    """Waves of a shortest period, around one half: `light` at any canvas points, and its steepest slope."""

    waves: FloatArray  # (n, 4): cycles per px along x and y, phase, amplitude; amplitudes sum to 0.4

    @property
    def slope(self) -> float:
        """Most change per px."""
        return float((2 * np.pi * np.hypot(self.waves[:, 0], self.waves[:, 1]) * self.waves[:, 3]).sum())

    def light(self, points: FloatArray) -> FloatArray:
        """Values of three channels, (..., 2) to (..., 3); the channels differ by their offsets only."""
        x, y = points[..., 0], points[..., 1]
        total = sum(a * np.sin(2 * np.pi * (fx * x + fy * y) + phase) for fx, fy, phase, a in self.waves)
        return 0.5 + total[..., None] + np.array([0.02, 0.0, -0.03])

    def on(self, width: int, height: int, *, x0: int = 0, y0: int = 0) -> FloatArray:
        """Values at the pixel centres of a canvas window, (h, w, 3)."""
        xs, ys = np.meshgrid(np.arange(x0, x0 + width), np.arange(y0, y0 + height))
        return self.light(np.stack([xs, ys], axis=-1).astype(np.float64))


def pattern(seed: int, shortest_px: float = 12.0, count: int = 8) -> Pattern:
    """Waves in random directions with periods from `shortest_px` to four times as long."""
    rng = np.random.default_rng(seed)
    frequency = 1 / rng.uniform(shortest_px, 4 * shortest_px, count)
    angle, phase = rng.uniform(0, 2 * np.pi, count), rng.uniform(0, 2 * np.pi, count)
    share = rng.uniform(0.5, 1.0, count)
    amplitude = 0.4 * share / share.sum()
    return Pattern(np.column_stack([frequency * np.cos(angle), frequency * np.sin(angle), phase, amplitude]))


def correction(seed: int, size: Size, *, largest_px: float = 4.0, step_px: float = 70.0) -> LocalCorrection:
    """A random smooth field whose largest coefficient is `largest_px` in each direction."""
    rng = np.random.default_rng(seed)
    shape = coefficient_count(step_px, size.height_px), coefficient_count(1.2 * step_px, size.width_px)
    fields = [rng.uniform(-1, 1, shape) for _ in range(2)]
    dx, dy = (tuple(map(tuple, (largest_px * field / np.abs(field).max()).tolist())) for field in fields)
    return LocalCorrection((1.2 * step_px, step_px), dx, dy)


def seen(what: Pattern, placed: PlacedMap, *, bits: int = 16, part: Window | None = None) -> NDArray[Any]:
    """What the scan shows: its pixel centres taken to the canvas, and the pattern there. Nothing is resampled.

    Outside `part` of the scan, where one is given, it stays black.
    """
    codes = np.zeros((placed.size.height_px, placed.size.width_px, 3), np.uint8 if bits == 8 else np.uint16)
    part = part or placed.size.window()
    xs, ys = np.meshgrid(np.arange(part.x0_px, part.x1_px), np.arange(part.y0_px, part.y1_px))
    points = placed.canvas_from_scan(np.column_stack([xs.ravel(), ys.ravel()]).astype(np.float64))
    light = what.light(points).reshape(part.height_px, part.width_px, 3)
    codes[part.slices_in(placed.size.window())] = np.rint(light * (2**bits - 1))
    return codes
