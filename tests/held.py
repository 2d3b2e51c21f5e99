"""Pixels held in memory, standing in for a scan or a master."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from numpy.typing import NDArray

from stitch.model.geometry import Size, Window


@dataclass
class HeldSource:
    """A `PixelSource` that refuses windows outside its grid and counts what is read."""

    pixels: NDArray[Any]
    read_px: int = 0

    @property
    def size(self) -> Size:
        return Size(self.pixels.shape[1], self.pixels.shape[0])

    def read(self, window: Window) -> NDArray[Any]:
        assert window.clipped(self.size) == window and not window.is_empty
        self.read_px += window.width_px * window.height_px
        return self.pixels[window.y0_px : window.y1_px, window.x0_px : window.x1_px]

    def close(self) -> None:
        pass
