"""Pictures of a scan for the page, made on demand: square JPEG tiles at its own size and at halves of it.

Level n shows the scan divided by 2ⁿ. Levels 0 and 1 are read from the scan itself, window by window; the coarser ones
come from reduced copies that one pass over the scan leaves in a scratch folder.
"""

from __future__ import annotations

import contextlib
import io
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms

from stitch.imaging.windows import bands
from stitch.model.geometry import Size, Window
from stitch.model.scans import PixelSource, Scan

TILE_PX = 512
FIRST_KEPT_LEVEL = 2  # reading a tile of level 2 from the scan would take 16 times its pixels
BAND_PIXELS = 4_000_000
JPEG_QUALITY = 90

Pixels = NDArray[Any]
EightBit = NDArray[np.uint8]


class TiledScan:
    """One scan as tiles. Safe to use from several threads.

    Parameters
    ----------
    source : gives the scan as it is looked at, open as long as the page; called when its pixels are first needed.
    once : opens the scan for one pass over it; closed afterwards.
    scan : its size and profile.
    kept : file for the reduced copy, which the caller removes in the end.
    """

    def __init__(
        self, source: Callable[[], PixelSource], once: Callable[[], PixelSource], scan: Scan, kept: Path
    ) -> None:
        self.size = scan.size
        self.level_count = _level_count(scan.size)
        self._source, self._once, self._file = source, once, kept
        self._display = _display_of(scan.profile)
        self._kept: dict[int, EightBit] = {}
        self._lock = threading.Lock()

    def prepare(self) -> None:
        """Make the reduced copies, unless they are there. Raises ScanError."""
        if self.level_count <= FIRST_KEPT_LEVEL:
            return
        with self._lock:
            if not self._kept:
                self._kept = self._reduced()

    def tile(self, level: int, column: int, row: int) -> bytes | None:
        """One tile as a JPEG (RGB, sRGB); None when the scan has no such tile. Raises ScanError."""
        if not 0 <= level < self.level_count:
            return None
        size = level_size(self.size, level)
        window = Window(column * TILE_PX, row * TILE_PX, TILE_PX, TILE_PX).clipped(size)
        if window.is_empty:
            return None
        return self._jpeg(self._pixels(level, window))

    def close(self) -> None:
        """Let go of the reduced copies' file."""
        with self._lock:
            self._kept = {}

    def _pixels(self, level: int, window: Window) -> EightBit:
        if level < FIRST_KEPT_LEVEL:
            return _eight_bit(_read_reduced(self._source(), window, 2**level))
        self.prepare()
        rows, columns = window.slices_in(level_size(self.size, level).window())
        return np.asarray(self._kept[level][rows, columns])

    def _reduced(self) -> dict[int, EightBit]:
        kept = {FIRST_KEPT_LEVEL: self._first_reduced()}
        for level in range(FIRST_KEPT_LEVEL + 1, self.level_count):
            kept[level] = _shrunk(kept[level - 1], 2)
        return kept

    def _first_reduced(self) -> EightBit:
        """The finest kept level, in a file that is read through memory mapping."""
        factor, size = 2**FIRST_KEPT_LEVEL, level_size(self.size, FIRST_KEPT_LEVEL)
        shape = (size.height_px, size.width_px, 3)
        kept = np.lib.format.open_memmap(self._file, mode="w+", dtype=np.uint8, shape=shape)
        done = 0
        with contextlib.closing(self._once()) as source:
            for band in bands(self.size, max(1, BAND_PIXELS // (self.size.width_px * factor)) * factor):
                rows = _eight_bit(_shrunk(source.read(band), factor))
                kept[done : done + len(rows)] = rows
                done += len(rows)
        return kept

    def _jpeg(self, pixels: EightBit) -> bytes:
        image = Image.fromarray(np.ascontiguousarray(pixels))
        if self._display is not None:
            ImageCms.applyTransform(image, self._display, inPlace=True)
        out = io.BytesIO()
        image.save(out, "JPEG", quality=JPEG_QUALITY, subsampling=0)
        return out.getvalue()


def level_size(size: Size, level: int) -> Size:
    """Size of a level: each side halved `level` times, rounded up."""
    return Size(-(-size.width_px >> level), -(-size.height_px >> level))


def _level_count(size: Size) -> int:
    """Levels until the whole scan fits into one tile."""
    level = 0
    while max(level_size(size, level).width_px, level_size(size, level).height_px) > TILE_PX:
        level += 1
    return level + 1


def _read_reduced(source: PixelSource, window: Window, factor: int) -> Pixels:
    """The part of a scan behind `window` of a level, divided by `factor`."""
    part = Window(window.x0_px * factor, window.y0_px * factor, window.width_px * factor, window.height_px * factor)
    return _shrunk(source.read(part.clipped(source.size)), factor)


def _shrunk(pixels: Pixels, factor: int) -> Pixels:
    """Means of factor × factor pixels; a last row or column that is not whole is filled up with its own border."""
    if factor == 1:
        return pixels
    height, width = pixels.shape[:2]
    right, bottom = -width % factor, -height % factor
    if right or bottom:
        pixels = cv2.copyMakeBorder(pixels, 0, bottom, 0, right, cv2.BORDER_REPLICATE)
    shape = ((width + right) // factor, (height + bottom) // factor)
    return cv2.resize(pixels, shape, interpolation=cv2.INTER_AREA)


def _eight_bit(pixels: Pixels) -> EightBit:
    return (pixels >> 8).astype(np.uint8) if pixels.dtype == np.uint16 else pixels


def _display_of(profile: bytes | None) -> ImageCms.ImageCmsTransform | None:
    """From the scan's colours to sRGB; None where they are taken for sRGB already."""
    if profile is None:
        return None
    try:
        return ImageCms.buildTransform(
            ImageCms.ImageCmsProfile(io.BytesIO(profile)), ImageCms.createProfile("sRGB"), "RGB", "RGB"
        )
    except (ImageCms.PyCMSError, OSError):  # a grey profile, or a damaged one: shown as it is
        return None
