"""Small scan folders of our own making, and the ways the tests run a job on them."""

from __future__ import annotations

import hashlib
import struct
import subprocess
import sys
import zlib
from pathlib import Path

import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray

from stitch.imaging.colour import xyz_d50_from_rgb
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


def with_png_resolution(data: bytes, dots_per_metre: int) -> bytes:
    """A PNG with a pHYs chunk after its header (PNG 1.2, 11.3.5.3)."""
    body = b"pHYs" + struct.pack(">IIB", dots_per_metre, dots_per_metre, 1)
    chunk = struct.pack(">I", 9) + body + struct.pack(">I", zlib.crc32(body))
    return data[:33] + chunk + data[33:]


def matrix_profile(*primaries_and_gamma: object) -> bytes:
    """A small matrix profile (ICC.1, version 2) of a wide gamut with one gamma."""
    *primaries, gamma = primaries_and_gamma
    columns = xyz_d50_from_rgb(tuple(primaries), (0.3127, 0.3290)).T  # type: ignore[arg-type]

    def s15(value: float) -> bytes:
        return struct.pack(">i", round(value * 65536))

    tags = {b"desc": b"desc\0\0\0\0" + struct.pack(">I", 5) + b"wide\0" + bytes(78)}
    tags[b"wtpt"] = b"XYZ \0\0\0\0" + s15(0.9642) + s15(1.0) + s15(0.8249)
    for name, column in zip((b"rXYZ", b"gXYZ", b"bXYZ"), columns, strict=True):
        tags[name] = b"XYZ \0\0\0\0" + b"".join(s15(value) for value in column)
    for name in (b"rTRC", b"gTRC", b"bTRC"):
        tags[name] = b"curv\0\0\0\0" + struct.pack(">IH", 1, round(float(gamma) * 256)) + b"\0\0"  # type: ignore[arg-type]
    table, data, offset = b"", b"", 128 + 4 + 12 * len(tags)
    for name, content in tags.items():
        content += bytes(-len(content) % 4)
        table += name + struct.pack(">II", offset + len(data), len(content))
        data += content
    size = offset + len(data)
    head = struct.pack(">I4sI4s4s4s", size, bytes(4), 0x02100000, b"mntr", b"RGB ", b"XYZ ")
    head += bytes(12) + b"acsp" + bytes(28) + s15(0.9642) + s15(1.0) + s15(0.8249)
    return head + bytes(128 - len(head)) + struct.pack(">I", len(tags)) + table + data
