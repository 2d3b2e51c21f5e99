"""A small invented painting cut into scans whose tone is known: gains, offsets and gamma in linear light."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import cv2
import numpy as np

from stitch.imaging.affine import invert
from stitch.imaging.colour import Encoding
from stitch.model.geometry import Size
from stitch.model.layout import Layout, Placement
from tests.held import HeldSource


@functools.lru_cache(maxsize=4)
def painting(seed: int, width: int, height: int, darkest: float = 0.01, lightest: float = 0.8) -> np.ndarray:
    """Washes, strokes and tooth: linear light, float32 (height, width, 3)."""
    rng = np.random.default_rng(seed)
    total = np.zeros((height, width, 3), np.float32)
    for cell, weight in ((70, 1.0), (15, 0.6), (3, 0.25)):
        knots = rng.normal(size=(height // cell + 2, width // cell + 2, 3)).astype(np.float32)
        total += weight * cv2.resize(knots, (width, height), interpolation=cv2.INTER_CUBIC)
    total = (total - total.min()) / np.ptp(total)
    mean = total.mean(axis=-1, keepdims=True)
    share = np.clip((mean - mean.mean()) / (4 * mean.std()) + 0.5, 0, 1)  # tones spread over the whole range
    return (darkest * (lightest / darkest) ** (0.7 * share + 0.3 * total)).astype(np.float32)


@dataclass
class Case:
    sources: dict[str, HeldSource]
    layout: Layout
    encoding: Encoding
    gain: dict[str, np.ndarray]  # true light of a scan = gain × painting + offset
    offset: dict[str, np.ndarray]


def case(
    seed: int,
    *,
    columns: int = 2,
    rows: int = 2,
    tile: int = 420,
    overlap: int = 130,
    ppi: float = 150.0,
    drift: float = 0.08,
    offset: float = 0.0,
    noise: float = 0.002,
    bits: int = 16,
    turn_deg: float = 0.0,
    jitter_px: float = 0.0,
    profile: bytes | None = None,
    darkest: float = 0.01,
    lightest: float = 0.8,
    per_scan=None,
) -> Case:
    """Scans of a painting in a grid; `per_scan(light, name)` may spoil a scan's light further."""
    rng = np.random.default_rng(seed + 1000)
    step = tile - overlap
    canvas = Size(step * (columns - 1) + tile, step * (rows - 1) + tile)
    light = painting(seed, canvas.width_px, canvas.height_px, darkest, lightest)
    encoding = Encoding.of_profile(profile)
    out = Case({}, None, encoding, {}, {})  # type: ignore[arg-type]
    placements = []
    for row in range(rows):
        for column in range(columns):
            name = f"scan {'abcdefghijkl'[row * columns + column]}"
            angle = np.radians(rng.uniform(-turn_deg, turn_deg))
            x, y = np.array([column * step, row * step]) + rng.uniform(-jitter_px, jitter_px, 2)
            c, s = np.cos(angle), np.sin(angle)
            matrix = np.array([[c, -s, x], [s, c, y]]) if turn_deg or jitter_px else np.array([[1.0, 0, x], [0, 1, y]])
            seen = cv2.warpAffine(
                light, invert(matrix), (tile, tile), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT_101
            )
            gain = 1 + rng.uniform(-drift, drift, 3)
            low = rng.uniform(-offset, offset, 3)
            seen = np.clip(seen, 0, 1) * gain + low + rng.normal(0, noise, seen.shape)
            if per_scan is not None:
                seen = per_scan(seen, name)
            out.sources[name] = HeldSource(encoding.encode_to_codes(seen.astype(np.float32), bits))
            out.gain[name], out.offset[name] = gain, low
            placements.append(Placement(name, tuple(map(tuple, matrix.tolist())), 0.05))
    out.layout = Layout(canvas, ppi, tuple(placements), (), not (turn_deg or jitter_px), 0)
    return out


def expected(found: Case, name: str, reference: str) -> tuple[np.ndarray, np.ndarray]:
    """Gain and offset that bring scan `name` to `reference` exactly."""
    gain = found.gain[reference] / found.gain[name]
    return gain, found.offset[reference] - gain * found.offset[name]
