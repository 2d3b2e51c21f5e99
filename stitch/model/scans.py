"""What is known of one scan, and the door to its pixels."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from stitch.model.geometry import Size, Window


@dataclass(frozen=True, slots=True)
class Scan:
    """Facts of one scan (one full page of one file), as read from the file. Pixel facts are after Orientation."""

    scan_id: str  # the name a painter sees, unique in the job: file stem, "stem page 2" for later pages
    path: Path  # absolute while running; stored relative to the job folder
    page_index: int
    size: Size  # as shown, i.e. after the Orientation tag
    bits: int  # 8 or 16
    is_grey: bool
    ppi_x: float | None  # as shown (after Orientation); None when the file states none
    ppi_y: float | None
    orientation: int  # TIFF tag 274, 1..8
    file_format: str  # "TIFF", "PNG", "JPEG"
    compression: str  # "none", "lzw", "deflate", "packbits", "zstd", "jpeg", ...
    profile: bytes | None  # ICC profile embedded in the file
    sha256: str  # of the whole file, lower-case hex
    byte_count: int
    clipped_low_fraction: float  # share of pixels with a channel at 0
    clipped_high_fraction: float  # share of pixels with a channel at the top code


class PixelSource(Protocol):
    """Pixels by window. `read` is safe to call from several threads at once."""

    @property
    def size(self) -> Size:
        """Size as shown (after Orientation)."""

    def read(self, window: Window) -> NDArray[np.uint8] | NDArray[np.uint16]:
        """Pixels of `window`, which must lie inside the grid: RGB, shape (height, width, 3), as shown."""

    def close(self) -> None:
        """Release the file."""
