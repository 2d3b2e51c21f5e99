"""A scan with its light evened out, read like any other scan."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from stitch.imaging.colour import Encoding
from stitch.imaging.placed_map import spline_weights
from stitch.model.geometry import Size, Window
from stitch.model.scans import PixelSource
from stitch.model.tone import LightField

COARSE_SHARE = 16  # places between two knots at which the field is evaluated; straight lines between them
BLOCK_ROWS = 64  # worked on at once, so that light and factors in float32 stay small

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class EvenedSource:
    """The pixels of `source`, their linear light multiplied by the field, in codes of the same depth.

    The field never exceeds 1, so nothing clips. Codes at the top are clipped in the scan and stay at the top, so that
    later rooms still know them.
    """

    source: PixelSource
    light: LightField
    encoding: Encoding
    _log: FloatArray = field(init=False)  # (rows, columns, 3)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_log", np.moveaxis(np.array(self.light.log_rgb), 0, -1))

    @property
    def size(self) -> Size:
        """Size of the scan."""
        return self.source.size

    def read(self, window: Window) -> NDArray[np.uint8] | NDArray[np.uint16]:
        """Pixels of `window`, RGB (h, w, 3), evened out."""
        codes = self.source.read(window)
        out = np.empty_like(codes)
        bits = codes.dtype.itemsize * 8
        for first in range(0, window.height_px, BLOCK_ROWS):
            rows = slice(first, min(first + BLOCK_ROWS, window.height_px))
            here = Window(window.x0_px, window.y0_px + first, window.width_px, rows.stop - first)
            light = self.encoding.decode_codes(codes[rows]) * self.factor(here)
            out[rows] = self.encoding.encode_to_codes(light, bits)
        top = np.iinfo(codes.dtype).max
        np.copyto(out, codes, where=codes == top)
        return out

    def close(self) -> None:
        """Release the file."""
        self.source.close()

    def factor(self, window: Window) -> NDArray[np.float32]:
        """The field over a window, float32 (h, w, 3); the same at each px whatever the window."""
        step = max(1, int(min(self.light.step_px)) // COARSE_SHARE)
        xs, ys = _coarse(window.x0_px, window.x1_px, step), _coarse(window.y0_px, window.y1_px, step)
        coarse = np.exp(field_at_grid(self._log, self.light.step_px, self.size, xs, ys)).astype(np.float32)
        wide = _between(coarse, np.arange(window.x0_px, window.x1_px) - xs[0], step, axis=1)
        return _between(wide, np.arange(window.y0_px, window.y1_px) - ys[0], step, axis=0)


def _coarse(first: int, end: int, step: int) -> FloatArray:
    """Multiples of `step` around first to end, at least two."""
    return step * np.arange(first // step, (end - 1) // step + 2, dtype=np.float64)


def _between(coarse: NDArray[np.float32], at_px: FloatArray, step: int, axis: int) -> NDArray[np.float32]:
    """Straight lines along one axis between values `step` px apart."""
    t = (at_px / step).astype(np.float32)
    before = t.astype(np.intp)
    share = (t - before).reshape((-1, 1, 1) if axis == 0 else (1, -1, 1))
    low, high = coarse.take(before, axis), coarse.take(before + 1, axis)
    return np.asarray(low + share * (high - low), dtype=np.float32)


def field_at_grid(
    log_rgb: FloatArray, step_px: tuple[float, float], size: Size, xs: FloatArray, ys: FloatArray
) -> FloatArray:
    """Logarithm of the factor at all (y, x) of two axes, (len(ys), len(xs), 3); coefficients (rows, columns, 3)."""
    down = spline_matrix(ys, step_px[1], size.height_px, log_rgb.shape[0])
    across = spline_matrix(xs, step_px[0], size.width_px, log_rgb.shape[1])
    return np.asarray(np.einsum("ya,abc,xb->yxc", down, log_rgb, across, optimize=True))


def spline_matrix(positions: FloatArray, step_px: float, length_px: int, count: int) -> FloatArray:
    """Weights (n, count) of a row of coefficients at n positions."""
    first, weights = spline_weights(positions, step_px, length_px)
    out = np.zeros((len(positions), count))
    for k in range(4):
        out[np.arange(len(positions)), first + k] += weights[:, k]
    return out


def evened(source: PixelSource, light: LightField | None, encoding: Encoding) -> PixelSource:
    """The scan evened out, or itself where it has no field."""
    return source if light is None else EvenedSource(source, light, encoding)
