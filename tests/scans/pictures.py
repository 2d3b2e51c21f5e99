"""Small pictures for these tests, and readers that share nothing with the room under test."""

from __future__ import annotations

import shutil
import struct
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray
from PIL import ImageCms

from stitch.model.scans import Scan
from stitch.scans.inspect import inspect
from stitch.scans.readers import open_scan


def painting(height: int = 61, width: int = 83, bits: int = 16, seed: int = 1, samples: int = 3) -> NDArray[Any]:
    """Smooth colour with grain, every channel different: swapped axes, channels or bytes all show."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:height, 0:width]
    waves = [np.sin(x / (5 + 2 * c)) + np.cos(y / (9 - c)) + (x + 2 * y) / (height + width) for c in range(samples)]
    tone = 0.1 + 0.2 * np.stack(waves, axis=-1) + rng.normal(0, 0.02, (height, width, samples)) + 0.2
    top = 2**bits - 1
    return (tone.clip(0.01, 0.99) * top).astype(np.uint8 if bits == 8 else np.uint16)


def write_tiff(path: Path, pixels: NDArray[Any], **options: Any) -> Path:
    """Write with tifffile; 600 per inch unless told otherwise."""
    settings: dict[str, Any] = {
        "photometric": "rgb",
        "resolution": (600, 600),
        "resolutionunit": "INCH",
        "metadata": None,
    }
    settings.update(options)
    if settings.get("planarconfig") == "separate":
        pixels = np.ascontiguousarray(np.moveaxis(pixels, -1, 0))
    tifffile.imwrite(path, pixels, **settings)
    return path


def oriented(orientation: int) -> dict[str, Any]:
    """Options for `write_tiff` that set the Orientation tag."""
    return {"extratags": [(274, "H", 1, orientation, True)]}


def read_whole(path: Path, scratch: Path) -> NDArray[Any]:
    """The first scan of a file through the room under test."""
    return read_scan(scan_of(path, scratch), scratch)


def read_scan(scan: Scan, scratch: Path, **options: Any) -> NDArray[Any]:
    """All of a scan."""
    source = open_scan(scan, scratch=scratch, **options)
    try:
        return source.read(source.size.window())
    finally:
        source.close()


def scan_of(path: Path, scratch: Path) -> Scan:
    """The first scan of a file."""
    return inspect(path, (), scratch=scratch).scans[0]


def tiffcp(source: Path, target: Path, *options: str) -> Path:
    """Rewrite a TIFF with libtiff's own tool; skips the test where it, or the codec, is missing."""
    tool = shutil.which("tiffcp")
    if tool is None:
        pytest.skip("libtiff's tools are not installed")
    done = subprocess.run([tool, *options, str(source), str(target)], capture_output=True, text=True, check=False)
    if "not configured" in done.stderr or "not implemented" in done.stderr.lower():
        pytest.skip("this libtiff lacks the codec")
    assert done.returncode == 0, done.stderr
    return target


def read_with_libtiff(path: Path, tmp_path: Path) -> NDArray[Any]:
    """Stored pixels by libtiff: it writes plain little-endian strips, one per plane, which are then cut out by hand."""
    plain = tiffcp(path, tmp_path / "plain.tif", *["-c", "none", "-s", "-r", "100000", "-L", "-C", "-f", "msb2lsb"])
    data = plain.read_bytes()
    tags = little_endian_tags(data)
    width, height, samples = tags[256], tags[257], tags.get(277, 1)
    bits = tags[258] if samples < 3 else struct.unpack_from("<H", data, tags[258])[0]
    dtype, count = np.dtype("<u2" if bits == 16 else "u1"), width * height * samples
    if tags.get(284, 1) == 1:
        return np.frombuffer(data, dtype, count, tags[273]).reshape(height, width, samples)
    offsets = struct.unpack_from(f"<{samples}I", data, tags[273])
    planes = [np.frombuffer(data, dtype, width * height, offset).reshape(height, width) for offset in offsets]
    return np.stack(planes, axis=-1)


def little_endian_tags(data: bytes) -> dict[int, int]:
    """Tag number to value (or offset of the values) of the first page of a little-endian classic TIFF."""
    assert data[:4] == b"II*\0"
    (start,) = struct.unpack_from("<I", data, 4)
    (count,) = struct.unpack_from("<H", data, start)
    tags = {}
    for position in range(start + 2, start + 2 + 12 * count, 12):
        tag, kind, number = struct.unpack_from("<HHI", data, position)
        short = kind == 3 and number == 1
        (tags[tag],) = struct.unpack_from("<H" if short else "<I", data, position + 8)
    return tags


def set_tag(path: Path, number: int, change: Callable[[int], int]) -> None:
    """Change the value of one inline tag of a little-endian classic TIFF in place."""
    data = bytearray(path.read_bytes())
    (start,) = struct.unpack_from("<I", data, 4)
    (count,) = struct.unpack_from("<H", data, start)
    for position in range(start + 2, start + 2 + 12 * count, 12):
        tag, kind = struct.unpack_from("<HH", data, position)
        if tag == number:
            form = "<H" if kind == 3 else "<I"
            (value,) = struct.unpack_from(form, data, position + 8)
            struct.pack_into(form, data, position + 8, change(value))
            path.write_bytes(data)
            return
    raise AssertionError(f"no tag {number}")


def srgb_profile() -> bytes:
    """An sRGB profile made by Little CMS."""
    return ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
