"""Scans cut from a texture of our own making, with exact known placements."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import FloatArray, apply, invert, rigid
from stitch.model.geometry import Size
from stitch.register.place import Registration, reduce_all, register
from tests.held import HeldSource


@dataclass(frozen=True)
class CutScans:
    sources: dict[str, HeldSource]
    painting_from_scan: dict[str, FloatArray]

    def register(self, **options: object) -> Registration:
        ppi = dict.fromkeys(self.sources, 600.0)
        return register(self.sources, reduce_all(self.sources), ppi, **options)

    def misregistration_px(self, registration: Registration, step: int = 40) -> NDArray[np.float64]:
        """Distances between where two scans' maps put the same point of the painting, over all overlaps."""
        found = []
        names = list(self.sources)
        high = np.max([apply(m, np.array([s.size.width_px, s.size.height_px], float)) for m, s in self._both()], axis=0)
        grid = np.stack(np.meshgrid(*(np.arange(0, v, step) for v in high)), -1).reshape(-1, 2).astype(float)
        for i, a in enumerate(names):
            for b in names[i + 1 :]:
                at_a, at_b = (apply(invert(self.painting_from_scan[n]), grid) for n in (a, b))
                both = self._inside(a, at_a) & self._inside(b, at_b)
                poses = registration.poses
                found.append(apply(poses[a].matrix(), at_a[both]) - apply(poses[b].matrix(), at_b[both]))
        return np.hypot(*np.concatenate(found).T)

    def _both(self) -> list[tuple[FloatArray, HeldSource]]:
        return [(self.painting_from_scan[n], s) for n, s in self.sources.items()]

    def _inside(self, name: str, points: FloatArray) -> NDArray[np.bool_]:
        size = self.sources[name].size
        return ((points > 3) & (points < [size.width_px - 4, size.height_px - 4])).all(axis=1)


def texture(width: int, height: int, seed: int, coarse: float = 0.06) -> NDArray[np.float32]:
    """Band-limited coloured texture, (h, w, 3), 0..1."""
    rng = np.random.default_rng(seed)
    out = np.full((height, width, 3), 0.5, np.float32)
    for sigma in (1.6, 4.0, 10.0, 40.0):
        k = max(1, int(sigma / 2))
        noise = rng.standard_normal((height // k + 2, width // k + 2, 3)).astype(np.float32)
        noise = cv2.GaussianBlur(noise, (0, 0), sigma / k)
        out += cv2.resize(noise / noise.std(), (width, height), interpolation=cv2.INTER_CUBIC) * coarse
    return np.clip(out, 0, 1)


def cut(
    picture: NDArray[np.float32],
    places: list[FloatArray],
    size: Size,
    *,
    bits: int = 16,
    noise: float = 0.002,
    seed: int = 0,
) -> CutScans:
    """Sample `picture` (0..1) at every scan pixel; `places` are painting px from scan px."""
    rng = np.random.default_rng(seed)
    top = 2**bits - 1
    sources, truth = {}, {}
    for number, place in enumerate(places):
        seen = cv2.warpAffine(
            picture,
            place,
            (size.width_px, size.height_px),
            flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REFLECT_101,
        )
        seen = seen + noise * rng.standard_normal(seen.shape)
        name = f"S{number + 1}"
        sources[name] = HeldSource((np.clip(seen, 0, 1) * top + 0.5).astype(np.uint8 if bits == 8 else np.uint16))
        truth[name] = place
    return CutScans(sources, truth)


def jittered_grid(
    columns: int, rows: int, step: tuple[int, int], seed: int, *, angle_deg: float = 1.0, jitter: float = 12.0
) -> list[FloatArray]:
    """Placements on a grid, each a little off and a little turned."""
    rng = np.random.default_rng(seed)
    return [
        rigid(
            np.radians(rng.uniform(-angle_deg, angle_deg)),
            30 + i * step[0] + rng.uniform(-jitter, jitter),
            30 + j * step[1] + rng.uniform(-jitter, jitter),
        )
        for j in range(rows)
        for i in range(columns)
    ]
