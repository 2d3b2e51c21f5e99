"""What is gathered of a scan while it is read once: fine detail and clipped pixels, in cells of a few millimetres."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import px_from_mm
from stitch.model.geometry import Size, Window
from stitch.model.scans import PixelSource

LOOK_VERSION = 1  # raised by hand when what a look holds changes
CELL_MM = 4.0
LEAST_CELL_PX = 12
FINE_SIGMA_PX, COARSE_SIGMA_PX = 0.8, 1.6  # the band of detail that a sheet off the glass loses first
EVERY_PX = 2  # of rows and columns are looked at for clipping
BLOCK_PX = 8  # of JPEG, ITU-T T.81 (1992)
BLOCK_EVERY_PX = 4  # of rows (for columns) and columns (for rows) are looked at for its blocks
LEAST_STRIPE_PX = 24  # of rows looked at for detail, where not all are
FINEST = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32) / 6  # for noise: Immerkær, CVIU 64(2), 1996
PLAIN_PERCENTILE = 2.0
LEAST_NOISE = 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """Cells of one scan: cell column x is centred on scan px `cell_px`·x + (`cell_px` − 1)/2."""

    cell_px: int
    detail: NDArray[np.float64]  # (rows, columns) mean square of band-passed green, codes 0..1
    noise: float  # what noise alone leaves of `detail`
    low: NDArray[np.float64]  # (rows, columns, 3) share of pixels at 0
    high: NDArray[np.float64]  # (rows, columns, 3) share of pixels at the top code
    blocks: float = 1.0  # how much rougher every eighth column and row is: 1 unless JPEG left its blocks

    def centres(self) -> NDArray[np.float64]:
        """Scan px of every cell's middle, (rows, columns, 2)."""
        rows, columns = self.detail.shape
        at = np.stack(np.meshgrid(np.arange(columns), np.arange(rows)), axis=-1).astype(np.float64)
        return at * self.cell_px + (self.cell_px - 1) / 2


class Watched:
    """A `PixelSource` that gathers a `Look` while it is read from top to bottom, each row once."""

    def __init__(self, source: PixelSource, ppi: float, *, rows_share: float = 1.0) -> None:
        """`rows_share` : of the rows of each cell, the ones in its middle, detail is looked for in."""
        self._source = source
        self._cell = max(LEAST_CELL_PX, round(px_from_mm(CELL_MM, ppi)))
        self._shape = source.size.height_px // self._cell, source.size.width_px // self._cell
        self._stripe = min(self._cell, max(LEAST_STRIPE_PX, round(rows_share * self._cell)))
        self._detail, self._finest = np.zeros(self._shape), np.zeros(self._shape)
        self._low, self._high = np.zeros((*self._shape, 3)), np.zeros((*self._shape, 3))
        self._seen = np.zeros(self._shape[0])
        self._sparse = np.zeros(self._shape[0])
        self._rough, self._rough_count = np.zeros((2, BLOCK_PX)), np.zeros((2, BLOCK_PX))

    @property
    def is_read(self) -> bool:
        """Whether anything was read."""
        return bool(self._sparse.any())

    @property
    def size(self) -> Size:
        """Size as shown."""
        return self._source.size

    def read(self, window: Window) -> NDArray[np.uint8] | NDArray[np.uint16]:
        """Pixels of `window`, which is as wide as the scan."""
        pixels = self._source.read(window)
        rows, columns = self._shape
        used = pixels[: max(0, rows * self._cell - window.y0_px), : columns * self._cell]
        if used.size:
            for part in self._stripes(window.y0_px, len(used)):
                self._add_detail(used[part], window.y0_px + part.start)
            self._add_clipped(used, window.y0_px)
            self._add_roughness(used[::BLOCK_EVERY_PX, :, 1], 0, axis=0)
            self._add_roughness(used[:, ::BLOCK_EVERY_PX, 1].T, window.y0_px, axis=1)
        return pixels

    def close(self) -> None:
        """Release the file."""
        self._source.close()

    def look(self) -> Look:
        """What was gathered."""
        across = self._cell
        sparse = np.maximum(self._sparse * -(-across // EVERY_PX), 1)[:, None, None]
        detail = self._detail / np.maximum(self._seen * across, 1)[:, None]
        finest = self._finest / np.maximum(self._seen * across, 1)[:, None]
        noise = min(_plainest(detail), _plainest(finest) * _band_share())
        low, high = self._low / sparse, self._high / sparse
        return Look(self._cell, detail, max(LEAST_NOISE, noise), low, high, self._blocks())

    def _stripes(self, y0: int, count: int) -> list[slice]:
        """The rows to look for detail in, of `count` rows that begin at `y0`."""
        if self._stripe == self._cell:
            return [slice(0, count)]
        found = []
        for row in range(y0 // self._cell, (y0 + count - 1) // self._cell + 1):
            start = row * self._cell + (self._cell - self._stripe) // 2 - y0
            part = slice(max(0, start), min(count, start + self._stripe))
            if part.stop > part.start:
                found.append(part)
        return found

    def _add_detail(self, pixels: NDArray[Any], y0: int) -> None:
        row_of = (y0 + np.arange(len(pixels))) // self._cell
        green = pixels[..., 1].astype(np.float32) * np.float32(1 / np.iinfo(pixels.dtype).max)
        soft = cv2.GaussianBlur(green, (0, 0), FINE_SIGMA_PX)
        band = soft - cv2.GaussianBlur(green, (0, 0), COARSE_SIGMA_PX)
        starts = np.arange(self._shape[1]) * self._cell
        finest = cv2.filter2D(green, -1, FINEST)
        np.add.at(self._detail, row_of, np.add.reduceat(band * band, starts, axis=1, dtype=np.float64))
        np.add.at(self._finest, row_of, np.add.reduceat(finest * finest, starts, axis=1, dtype=np.float64))
        np.add.at(self._seen, row_of, 1)

    def _add_clipped(self, pixels: NDArray[Any], y0: int) -> None:
        sparse, top = pixels[::EVERY_PX, ::EVERY_PX], np.iinfo(pixels.dtype).max
        sparse_rows = ((y0 + np.arange(len(pixels))) // self._cell)[::EVERY_PX]
        np.add.at(self._sparse, sparse_rows, 1)
        for value, sums in ((0, self._low), (top, self._high)):
            if (sparse.min() if value == 0 else sparse.max()) == value:
                hits = (sparse == value).astype(np.float32)
                edges = -(-np.arange(self._shape[1]) * self._cell // EVERY_PX)
                np.add.at(sums, sparse_rows, np.add.reduceat(hits, edges, axis=1))

    def _add_roughness(self, lines: NDArray[Any], start: int, *, axis: int) -> None:
        """Third differences along lines, (n, length), by the phase of the place between the two middle px."""
        if lines.shape[1] < 4 or not len(lines):
            return
        wide = lines.astype(np.float32)
        third = wide[:, :-3] - 3 * wide[:, 1:-2] + 3 * wide[:, 2:-1] - wide[:, 3:]
        roughness = np.sqrt(np.abs(third)).sum(axis=0, dtype=np.float64)  # root: few strong edges do not decide
        phase = (start + 2 + np.arange(len(roughness))) % BLOCK_PX
        self._rough[axis] += np.bincount(phase, roughness, BLOCK_PX)
        self._rough_count[axis] += np.bincount(phase, minlength=BLOCK_PX) * len(lines)

    def _blocks(self) -> float:
        """The roughest phase against the mean of the others, for columns or rows, whichever is less."""
        if not self._rough_count.all() or not self._rough.any(axis=1).all():
            return 1.0
        mean = self._rough / self._rough_count
        most = mean.max(axis=1)
        return float((most / np.maximum((mean.sum(axis=1) - most) / (BLOCK_PX - 1), 1e-9)).min())


def _plainest(cells: NDArray[np.float64]) -> float:
    return float(np.percentile(cells, PLAIN_PERCENTILE))


@cache
def _band_share() -> float:
    """Mean square that the band of detail leaves of white noise of mean square 1."""
    point = np.zeros((31, 31), np.float32)
    point[15, 15] = 1
    band = cv2.GaussianBlur(point, (0, 0), FINE_SIGMA_PX) - cv2.GaussianBlur(point, (0, 0), COARSE_SIGMA_PX)
    return float((band * band).sum())
