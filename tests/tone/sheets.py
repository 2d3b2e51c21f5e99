"""Scans of a white sheet with known light over the glass."""

from __future__ import annotations

import numpy as np

from stitch.imaging.colour import Encoding
from stitch.tone.flat import Flat, read_flat
from tests.held import HeldSource

SRGB = Encoding.of_profile(None)


def sheet(field: np.ndarray, seed: int = 1, *, level: float = 0.8, tooth: float = 0.015, dust: int = 12) -> np.ndarray:
    """16-bit codes of a sheet of `level` under a field (h, w, 3), with tooth and dark grains on it."""
    rng = np.random.default_rng(seed)
    height, width = field.shape[:2]
    light = level * field * (1 + tooth * rng.standard_normal((height, width, 1)))
    for y, x in rng.integers(0, (height - 8, width - 8), (dust, 2)):
        light[y : y + 8, x : x + 8] = 0.05
    return SRGB.encode_to_codes(np.clip(light, 0, 1).astype(np.float32), 16)


def flat_of(pixels: np.ndarray, ppi: float = 150.0) -> Flat:
    """What the tool reads off such a scan."""
    return read_flat(HeldSource(pixels), SRGB, bits=16, ppi=ppi, file_name="white.tif", sha256="0" * 64)
