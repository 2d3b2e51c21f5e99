"""Finished pictures as files, for what follows the master."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from stitch.master.writer import MasterWriter
from stitch.model.geometry import Size
from stitch.model.master import MasterSpec
from stitch.prints.colours import srgb_profile

NEVER = "0" * 64


def write_picture(path: Path, codes: np.ndarray, ppi: float, *, profile: bytes | None = None, title: str = "") -> Path:
    spec = MasterSpec(
        size=Size(codes.shape[1], codes.shape[0]),
        bits=8 * codes.dtype.itemsize,
        ppi=ppi,
        profile=profile or srgb_profile(),
        title=title,
        creator="Ylva Lindgarn",
        rights="© 2026 Studio Lindgarn",
        history=("joined",),
        ingredients=(("a.tif", NEVER),),
    )
    with MasterWriter(path, spec) as writer:
        writer.write_rows(codes)
        writer.finish()
    return path


def painted(width: int, height: int, seed: int = 0) -> np.ndarray:
    """Soft colours, uint16."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:height, 0:width] / max(width, height)
    waves = [np.sin(rng.uniform(2, 9) * x + rng.uniform(2, 9) * y + rng.uniform(0, 6)) for _ in range(3)]
    return np.rint((0.5 + 0.35 * np.stack(waves, axis=-1)) * 65535).astype(np.uint16)
