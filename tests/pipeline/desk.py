"""Scans of a painting on a lid by a scanner with a shape of its own, some pieces turned on the glass."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import cv2
import numpy as np

from tests.pipeline.jobs import PPI, write_scans
from tests.register.cutting import texture

PAINTING_PX = (700, 760)  # width, height
LID_PX = 70
TILE_PX = (470, 500)
FINER = 2
MM = 25.4 / PPI


def shape(anisotropy: float = 0.0, scale: float = 1.0) -> np.ndarray:
    """True px of a scanned px."""
    return scale * np.diag([np.exp(np.log1p(anisotropy) / 2), np.exp(-np.log1p(anisotropy) / 2)])


def on_lid(seed: int, painting_px: tuple[int, int] = PAINTING_PX) -> np.ndarray:
    """A painting on a dark lid, 0..1, FINER times as fine as the scans and band-limited, so that sampling is exact."""
    width, height = (FINER * n for n in painting_px)
    lid = FINER * LID_PX
    rng = np.random.default_rng(seed)
    whole = np.full((height + 2 * lid, width + 2 * lid, 3), 0.03, np.float32)
    whole += 0.001 * rng.standard_normal(whole.shape).astype(np.float32)
    whole[lid:-lid, lid:-lid] = texture(width, height, seed) * 0.7 + 0.15
    return cv2.GaussianBlur(whole, (0, 0), 0.5 * FINER)


def desk_scans(
    folder: Path,
    seed: int,
    *,
    linear: np.ndarray | None = None,
    quarters: Mapping[str, int] | None = None,
    left_out: tuple[str, ...] = (),
    blurred: Mapping[str, float] | None = None,
    twice: tuple[str, ...] = (),
    halved: tuple[str, ...] = (),
    painting_px: tuple[int, int] = PAINTING_PX,
    tile_px: tuple[int, int] = TILE_PX,
) -> Path:
    """Four pieces, A1 A2 B1 B2, each a little turned and shifted.

    `quarters` : clockwise quarter turns of a piece on the glass; `twice` : pieces scanned once more, as NAME-again;
    `blurred` : standard deviations in px; `halved` : pieces scanned at half the resolution.
    """
    rng = np.random.default_rng(seed + 100)
    image, linear = on_lid(seed, painting_px), np.eye(2) if linear is None else linear
    places = {"A1": (0, 0), "A2": (1, 0), "B1": (0, 1), "B2": (1, 1)}
    places |= {f"{name}-again": places[name] for name in twice}
    far = np.array(painting_px) + 2 * LID_PX - np.array(tile_px)
    scans = {}
    for name, at in places.items():
        turn = (quarters or {}).get(name, 0)
        angle = np.radians(rng.uniform(-0.6, 0.6) - 90 * turn)
        middle = np.array(tile_px) / 2 + np.array(at) * far + rng.uniform(-5, 5, 2)
        size = tile_px if turn % 2 == 0 else tile_px[::-1]
        rotation = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]]) @ linear
        matrix = np.column_stack([rotation, middle - rotation @ ((np.array(size) - 1) / 2)])
        matrix = FINER * matrix + np.array([[0, 0, 0.5], [0, 0, 0.5]]) * (FINER - 1)
        seen = cv2.warpAffine(
            image, matrix, size, flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP, borderValue=(0.03,) * 3
        )
        if name in (blurred or {}):
            seen = cv2.GaussianBlur(seen, (0, 0), (blurred or {})[name])
        if name in halved:
            seen = cv2.resize(seen, (size[0] // 2, size[1] // 2), interpolation=cv2.INTER_AREA)
        seen = seen + 0.001 * rng.standard_normal(seen.shape)
        if name not in left_out:
            scans[name] = (np.clip(seen, 0, 1) * 65535).astype(np.uint16)
    coarse = {name: pixels for name, pixels in scans.items() if name in halved}
    write_scans(folder, coarse, resolution=(PPI / 2, PPI / 2))
    return write_scans(folder, {name: pixels for name, pixels in scans.items() if name not in halved})
