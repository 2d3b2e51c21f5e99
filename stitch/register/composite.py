"""A quick small picture of all placed scans together: enough to see the painting's outline and any hole in it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import FloatArray, apply, compose, corners, px_from_mm
from stitch.imaging.resample import coverage, sample
from stitch.model.geometry import Size, Window
from stitch.register.place import Registration
from stitch.register.reduced import Reduced

PX_PER_MM = 4.0
MAX_PX = 3000  # longest side of the picture


@dataclass(frozen=True, slots=True, eq=False)
class Composite:
    """The small picture, upright."""

    rgb: NDArray[np.float32]  # (h, w, 3) encoded 0..1
    covered: NDArray[np.bool_]  # (h, w)
    px_per_mm: float
    picture_from_upright: FloatArray  # (2, 3)
    footprints: tuple[FloatArray, ...]  # corners of every scan in picture px, (4, 2) each
    scan_ids: tuple[str, ...] = ()  # of the footprints

    @property
    def upright_from_picture(self) -> FloatArray:
        """The map back to upright px."""
        scale = 1.0 / self.picture_from_upright[0, 0]
        return np.column_stack([np.eye(2) * scale, -self.picture_from_upright[:, 2] * scale])


def composite(registration: Registration, reduced: Mapping[str, Reduced], upright: FloatArray) -> Composite:
    """Lay the reduced scans over each other; where several cover a place, the one lying deepest inside shows."""
    maps = {name: compose(upright, pose.matrix()) for name, pose in registration.poses.items()}
    ends = {n: apply(m, _corners(registration.sizes[n])) for n, m in maps.items()}
    everything = np.concatenate(list(ends.values()))
    low, high = everything.min(axis=0), everything.max(axis=0)
    px_per_mm = min(PX_PER_MM, MAX_PX / ((high - low).max() / px_from_mm(1.0, registration.nominal_ppi)))
    scale = px_per_mm / px_from_mm(1.0, registration.nominal_ppi)
    to_picture = np.array([[scale, 0.0, -low[0] * scale], [0.0, scale, -low[1] * scale]])
    width, height = (int(v) for v in np.ceil((high - low) * scale))
    size = Size(max(1, width), max(1, height))
    rgb = np.zeros((size.height_px, size.width_px, 3), np.float32)
    depth = np.zeros((size.height_px, size.width_px), np.float32)
    for name, matrix in maps.items():
        _lay(rgb, depth, reduced[name], compose(compose(to_picture, matrix), reduced[name].scan_from_reduced), size)
    prints = tuple(apply(to_picture, e) for e in ends.values())
    return Composite(rgb, depth > 0, px_per_mm, to_picture, prints, tuple(ends))


def _corners(size: Size) -> FloatArray:
    return corners(size.width_px, size.height_px)


def _lay(
    rgb: NDArray[np.float32], depth: NDArray[np.float32], reduced: Reduced, matrix: FloatArray, size: Size
) -> None:
    window = _around(reduced.size, matrix).clipped(size)
    if window.is_empty:
        return
    part = window.slices_in(size.window())
    mine = _border_distance(reduced.size, matrix, window)
    better = coverage(reduced.size, matrix, window, inset_px=-0.5) & (mine > depth[part])
    picture = sample(reduced.rgb, reduced.size.window(), matrix, window)
    rgb[part][better] = picture[better]
    depth[part][better] = mine[better]


def _around(scan: Size, matrix: FloatArray) -> Window:
    """The picture px around a scan."""
    ends = apply(matrix, _corners(scan))
    (x0, y0), (x1, y1) = (ends.min(axis=0) - 2).astype(int), (ends.max(axis=0) + 3).astype(int)
    return Window(int(x0), int(y0), int(x1 - x0), int(y1 - y0))


def _border_distance(scan: Size, matrix: FloatArray, window: Window) -> NDArray[np.float32]:
    """Distance of each picture pixel from the scan's border, in reduced px, at least a little above zero inside."""
    inverse = np.linalg.inv(matrix[:, :2])
    xs, ys = np.arange(window.x0_px, window.x1_px), np.arange(window.y0_px, window.y1_px)[:, None]
    u = inverse[0, 0] * (xs - matrix[0, 2]) + inverse[0, 1] * (ys - matrix[1, 2])
    v = inverse[1, 0] * (xs - matrix[0, 2]) + inverse[1, 1] * (ys - matrix[1, 2])
    inside = np.minimum(np.minimum(u, scan.width_px - 1 - u), np.minimum(v, scan.height_px - 1 - v))
    return np.maximum(inside + 1.0, 1e-3).astype(np.float32)
