"""Small scan folders of our own making, and the ways the tests run a job on them."""

from __future__ import annotations

import hashlib
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray

from stitch.model.request import JoinRequest
from stitch.model.settings import JoinSettings
from tests.register.cutting import texture

PPI = 200
TILE = (420, 460)  # width, height
STEP = (300, 330)


def picture(seed: int, bits: int = 16, size: tuple[int, int] = (740, 810)) -> NDArray[np.generic]:
    """An image without lid: its tiles cover it from border to border."""
    shade = texture(*size, seed) * 0.9 + 0.02
    return (shade * (2**bits - 1)).astype(np.uint16 if bits == 16 else np.uint8)


def tiles(image: NDArray[np.generic], tile: tuple[int, int] = TILE) -> dict[str, NDArray[np.generic]]:
    """Four overlapping tiles at whole-pixel offsets that cover the image."""
    height, width = image.shape[:2]
    xs, ys = (0, width - tile[0]), (0, height - tile[1])
    found = {}
    for j, y in enumerate(ys):
        for i, x in enumerate(xs):
            found[f"{'AB'[j]}{i + 1}"] = image[y : y + tile[1], x : x + tile[0]]
    return found


def write_scans(folder: Path, scans: dict[str, NDArray[np.generic]], **options: object) -> Path:
    """Write each as an uncompressed TIFF at PPI, unless `options` say otherwise."""
    folder.mkdir(parents=True, exist_ok=True)
    facts = {"resolution": (PPI, PPI), "resolutionunit": "INCH", "photometric": "rgb", **options}
    for name, pixels in scans.items():
        tifffile.imwrite(folder / f"{name}.tif", pixels, **facts)
    return folder


def jittered_scans(seed: int, folder: Path, *, gain: float = 0.0) -> Path:
    """Four tiles with sub-pixel placements, small turns and, when asked, unlike gains."""
    rng = np.random.default_rng(seed)
    image = texture(900, 980, seed) * 0.8 + 0.05
    scans = {}
    for name, (i, j) in {"A1": (0, 0), "A2": (1, 0), "B1": (0, 1), "B2": (1, 1)}.items():
        angle = np.radians(rng.uniform(-0.8, 0.8))
        c, s = np.cos(angle), np.sin(angle)
        x, y = 40 + i * STEP[0] + rng.uniform(-8, 8), 40 + j * STEP[1] + rng.uniform(-8, 8)
        matrix = np.array([[c, -s, x], [s, c, y]])
        seen = cv2.warpAffine(image, matrix, TILE, flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP)
        seen = seen * (1 + gain * rng.uniform(-1, 1, 3)) + 0.001 * rng.standard_normal(seen.shape)
        scans[name] = (np.clip(seen, 0, 1) * 65535).astype(np.uint16)
    return write_scans(folder, scans)


def request(scans: Path, **settings: object) -> JoinRequest:
    """A plain request for a folder of scans."""
    return JoinRequest(inputs=(scans,), settings=JoinSettings(**settings), given=tuple(settings))


def stitch(*words: object, **options: object) -> subprocess.CompletedProcess[str]:
    """Run the command as a painter would."""
    command = [sys.executable, "-m", "stitch", *(str(word) for word in words)]
    return subprocess.run(command, capture_output=True, text=True, timeout=120, **options)


def hashes(folder: Path) -> dict[str, str]:
    """SHA-256 of every file below a folder."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return {str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}
