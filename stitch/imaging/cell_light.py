"""A picture's light in square cells: what slow estimates over a whole sheet are made from."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging.colour import Encoding, Float32Array
from stitch.imaging.windows import bands
from stitch.model.geometry import Size, Window
from stitch.model.scans import PixelSource
from stitch.progress import SILENT, Progress

BAND_PX = 1_500_000  # read at once
LEAST_LIGHT = 1e-4


@dataclass(frozen=True, slots=True, eq=False)
class CellLight:
    """Cell (row, column) covers px [column × cell_px, (column + 1) × cell_px) and likewise in y; the last ones less.

    light : (rows, columns, 3) float32, mean linear light. darkest : the least of each channel, slightly blurred.
    rough : (rows, columns) standard deviation of the luminance ÷ its mean.
    """

    light: Float32Array
    darkest: Float32Array
    rough: Float32Array
    cell_px: int
    size: Size


def cell_light(
    source: PixelSource, encoding: Encoding, cell_px: int, *, label: str, progress: Progress = SILENT
) -> CellLight:
    """Measure every cell; reads the source once, band by band."""
    rows_at_once = max(1, BAND_PX // (source.size.width_px * cell_px)) * cell_px
    found: list[tuple[Float32Array, Float32Array, Float32Array]] = []
    with progress.task(label, source.size.megapixels) as task:
        for band in bands(source.size, rows_at_once):
            found.append(_cells(encoding.decode_codes(source.read(band)), encoding, cell_px))
            task.advance(band.width_px * band.height_px / 1e6)
    light, darkest, rough = (np.concatenate([part[k] for part in found]) for k in range(3))
    return CellLight(light, darkest, rough, cell_px, source.size)


def field_at(coarse: NDArray[np.float32], cell_px: int, window: Window) -> Float32Array:
    """A slow field given at the cells' centres, (rows, columns[, n]), at every pixel of a window, bilinear."""
    first = (window.x0_px + 0.5) / cell_px - 0.5, (window.y0_px + 0.5) / cell_px - 0.5
    columns = (first[0] + np.arange(window.width_px) / cell_px).astype(np.float32)
    rows = (first[1] + np.arange(window.height_px) / cell_px).astype(np.float32)
    x0, y0 = (max(0, int(np.floor(at[0])) - 1) for at in (columns, rows))
    near = coarse[y0 : int(rows[-1]) + 3, x0 : int(columns[-1]) + 3]
    at_x = np.broadcast_to(columns - np.float32(x0), (len(rows), len(columns)))
    at_y = np.broadcast_to((rows - np.float32(y0))[:, None], (len(rows), len(columns)))
    found = cv2.remap(
        np.ascontiguousarray(near), np.array(at_x), np.array(at_y), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(found, np.float32)


def _cells(light: Float32Array, encoding: Encoding, cell_px: int) -> tuple[Float32Array, Float32Array, Float32Array]:
    height, width = light.shape[:2]
    down, across = -height % cell_px, -width % cell_px
    if down or across:
        light = np.pad(light, ((0, down), (0, across), (0, 0)), "reflect")
    shape = light.shape[1] // cell_px, light.shape[0] // cell_px
    mean = np.asarray(cv2.resize(light, shape, interpolation=cv2.INTER_AREA), np.float32)
    luminance = light @ encoding.xyz_from_rgb[1].astype(np.float32)
    middle = cv2.resize(luminance, shape, interpolation=cv2.INTER_AREA)
    square = cv2.resize(luminance * luminance, shape, interpolation=cv2.INTER_AREA)
    rough = np.sqrt(np.maximum(square - middle * middle, 0.0)) / np.maximum(middle, LEAST_LIGHT)
    soft = cv2.blur(light, (3, 3)).reshape(shape[1], cell_px, shape[0], cell_px, 3)
    return mean, np.ascontiguousarray(soft.min(axis=(1, 3))), rough.astype(np.float32)
