"""Tiles show the scan's own pixels, at its own size and at halves of it."""

from __future__ import annotations

import io
import threading
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from stitch.model.geometry import Size, Window
from stitch.model.scans import Scan
from stitch.page.tiles import TILE_PX, TiledScan, level_size


class Held:
    """Pixels in memory, with a note of what was read."""

    def __init__(self, pixels: NDArray[np.uint16] | NDArray[np.uint8]) -> None:
        self.pixels, self.read_count = pixels, 0

    @property
    def size(self) -> Size:
        return Size(self.pixels.shape[1], self.pixels.shape[0])

    def read(self, window: Window) -> NDArray[np.uint16] | NDArray[np.uint8]:
        assert window.clipped(self.size) == window
        self.read_count += window.width_px * window.height_px
        return self.pixels[window.y0_px : window.y1_px, window.x0_px : window.x1_px]

    def close(self) -> None:
        """Nothing to close."""


def smooth(width: int, height: int, seed: int) -> NDArray[np.uint16]:
    """Soft colours, so that JPEG changes them by little."""
    rng = np.random.default_rng(seed)
    small = rng.uniform(8000, 56000, (height // 300 + 2, width // 300 + 2, 3)).astype(np.float32)
    return cv2.resize(small, (width, height), interpolation=cv2.INTER_CUBIC).clip(0, 65535).astype(np.uint16)


def shown(data: bytes) -> NDArray[np.float64]:
    return np.asarray(Image.open(io.BytesIO(data)), dtype=np.float64)


def tiled(held: Held, scratch: Path) -> TiledScan:
    return TiledScan(lambda: held, lambda: held, scan_of(held), scratch / "0.npy")


def scan_of(held: Held, profile: bytes | None = None) -> Scan:
    facts: dict[str, Any] = {
        "scan_id": "A1",
        "path": Path("A1.tif"),
        "page_index": 0,
        "size": held.size,
        "bits": 16,
        "is_grey": False,
        "ppi_x": 300.0,
        "ppi_y": 300.0,
        "orientation": 1,
        "file_format": "TIFF",
        "compression": "none",
        "profile": profile,
        "sha256": "",
        "byte_count": 0,
        "clipped_low_fraction": 0.0,
        "clipped_high_fraction": 0.0,
    }
    return Scan(**facts)


@pytest.mark.parametrize("seed", [0, 1])
def test_every_level_shows_the_means_of_the_scans_pixels(tmp_path: Path, seed: int) -> None:
    held = Held(smooth(2310, 1735, seed))
    scan = tiled(held, tmp_path)
    for level in range(scan.level_count):
        size, factor = level_size(held.size, level), 2**level
        whole = np.zeros((size.height_px, size.width_px, 3))
        for y in range(0, size.height_px, TILE_PX):
            for x in range(0, size.width_px, TILE_PX):
                tile = scan.tile(level, x // TILE_PX, y // TILE_PX)
                assert tile is not None
                whole[y : y + TILE_PX, x : x + TILE_PX] = shown(tile)
        inner = held.pixels[: 1735 // factor * factor, : 2310 // factor * factor].astype(np.float64)
        rows, columns = inner.shape[0] // factor, inner.shape[1] // factor
        means = inner.reshape(rows, factor, columns, factor, 3).mean(axis=(1, 3)) / 256
        assert np.abs(whole[:rows, :columns] - means).mean() < 1.2
    assert max(whole.shape) <= TILE_PX


def test_there_are_no_tiles_beside_the_scan(tmp_path: Path) -> None:
    scan = tiled(Held(smooth(1100, 600, 2)), tmp_path)
    assert scan.tile(0, 2, 1) is not None
    assert scan.tile(0, 3, 0) is None
    assert scan.tile(0, 0, 2) is None
    assert scan.tile(scan.level_count, 0, 0) is None


def test_one_pass_over_the_scan_serves_all_coarse_levels_and_all_threads(tmp_path: Path) -> None:
    held = Held(smooth(3000, 2100, 3))
    scan = tiled(held, tmp_path)
    threads = [threading.Thread(target=scan.tile, args=(level, 0, 0)) for level in (2, 3, 2, 3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert held.read_count == 3000 * 2100


def test_a_small_scan_of_eight_bits_needs_no_copy(tmp_path: Path) -> None:
    pixels = (smooth(300, 200, 4) >> 8).astype(np.uint8)
    scan = tiled(Held(pixels), tmp_path)
    tile = scan.tile(0, 0, 0)
    assert scan.level_count == 1
    assert tile is not None
    assert np.abs(shown(tile) - pixels).mean() < 1.2
    assert not list(tmp_path.iterdir())


def test_a_damaged_profile_leaves_the_colours_as_they_are(tmp_path: Path) -> None:
    held = Held(smooth(300, 200, 5))
    plain = tiled(held, tmp_path).tile(0, 0, 0)
    spoiled = TiledScan(lambda: held, lambda: held, scan_of(held, b"no profile"), tmp_path / "1.npy")
    assert spoiled.tile(0, 0, 0) == plain
