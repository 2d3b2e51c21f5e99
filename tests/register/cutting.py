"""Scans cut from a texture of our own making, with exact known placements."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates, spline_filter

from stitch.imaging.affine import FloatArray, apply, invert, rigid
from stitch.imaging.placed_map import PlacedMap
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


Field = Callable[[FloatArray], FloatArray]  # shifts (n, 2) at straightened scan px (n, 2)


def unbent(points: FloatArray) -> FloatArray:
    """No shift anywhere."""
    return np.zeros_like(points)


@dataclass(frozen=True)
class BentScans:
    """Scans whose every pixel is known to a few thousandths: scan px = q + field(q) where painting px = place · q."""

    sources: dict[str, HeldSource]
    places: dict[str, FloatArray]
    fields: dict[str, Field]

    def common(self, a: str, b: str, step: int = 12, inset: float = 4.0) -> tuple[FloatArray, FloatArray]:
        """Scan px of the same places of the painting in both scans."""
        size = self.sources[a].size
        xs, ys = np.meshgrid(np.arange(0, size.width_px, step), np.arange(0, size.height_px, step))
        painting = apply(self.places[a], np.column_stack([xs.ravel(), ys.ravel()]).astype(float))
        seen = [self.scan_px(name, painting) for name in (a, b)]
        inside = [self._is_inside(name, points, inset) for name, points in zip((a, b), seen, strict=True)]
        both = inside[0] & inside[1]
        return seen[0][both], seen[1][both]

    def scan_px(self, name: str, painting: FloatArray) -> FloatArray:
        straight = apply(invert(self.places[name]), painting)
        return straight + self.fields[name](straight)

    def painting_px(self, name: str, points: FloatArray) -> FloatArray:
        return apply(self.places[name], straightened(points, self.fields[name]))

    def off_px(self, placed: dict[str, PlacedMap]) -> NDArray[np.float64]:
        """Distances between where two scans' maps put the same place, over all overlaps."""
        names = list(self.sources)
        off = []
        for i, a in enumerate(names):
            for b in names[i + 1 :]:
                at_a, at_b = self.common(a, b)
                off.append(placed[a].canvas_from_scan(at_a) - placed[b].canvas_from_scan(at_b))
        return np.hypot(*np.concatenate(off).T)

    def _is_inside(self, name: str, points: FloatArray, inset: float) -> NDArray[np.bool_]:
        size = self.sources[name].size
        return ((points >= inset) & (points <= [size.width_px - 1 - inset, size.height_px - 1 - inset])).all(axis=1)


def straightened(points: FloatArray, shifts: Field) -> FloatArray:
    """The q with q + shifts(q) = points."""
    straight = points
    for _ in range(30):
        straight = points - shifts(straight)
    return straight


def cut_finely(
    picture: NDArray[np.float32],
    places: list[FloatArray],
    size: Size,
    *,
    fields: list[Field] | None = None,
    noise: float = 0.002,
    seed: int = 0,
) -> BentScans:
    """Sample `picture` by splines of degree 5: good to thousandths of a px where it holds nothing finer than 1.5 px."""
    rng = np.random.default_rng(seed)
    fields = fields or [unbent] * len(places)
    smooth = [spline_filter(picture[..., k].astype(float), order=5) for k in range(3)]
    sources, truth, bent = {}, {}, {}
    for number, (place, shifts) in enumerate(zip(places, fields, strict=True)):
        ys, xs = np.mgrid[: size.height_px, : size.width_px].astype(float)
        where = apply(place, straightened(np.column_stack([xs.ravel(), ys.ravel()]), shifts))
        seen = [map_coordinates(s, where[:, ::-1].T, order=5, prefilter=False, mode="mirror") for s in smooth]
        light = np.stack(seen, -1).reshape(size.height_px, size.width_px, 3)
        light = light + noise * rng.standard_normal(light.shape)
        name = f"S{number + 1}"
        sources[name] = HeldSource((np.clip(light, 0, 1) * 65535 + 0.5).astype(np.uint16))
        truth[name], bent[name] = place, shifts
    return BentScans(sources, truth, bent)
