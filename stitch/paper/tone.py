"""The paper's own tone as a slow field over the sheet, from the cells that show nothing else.

Bare paper is the lightest thing that lies on a sheet in large amounts, and its tone hardly varies: the brightest narrow
peak among the cells. From there the field grows in the logarithm of the light (`imaging.slow_field`).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging.cell_light import LEAST_LIGHT, CellLight, field_at
from stitch.imaging.colour import Encoding, Float32Array, xyz_y_from_lightness
from stitch.imaging.slow_field import grown, scatter
from stitch.model.geometry import Window

LEAST_L = 70.0  # darker is no white paper
PEAK_HALF = 0.04  # of a peak's width, in ln of the light
BIN = 0.01
LEAST_SHARE, LEAST_MM2 = 0.02, 150.0  # of the sheet that must be bare
MOST_ROUGH = 0.10  # of a cell that the peak is looked for in
JUDGED_MM = 3.0
MOST_SPREAD = 0.0078  # of the field's error over so much bare paper, in ln of the light: more is light paint
MOST_LIGHTER = 0.12  # cells lighter than the field, ÷ bare cells: nothing on a sheet is lighter than its paper
LIGHTER = 0.02  # than the field, in ln of the light
LEAST_TOLERANCE, MOST_TOLERANCE = 0.006, 0.02  # of a bare cell, in ln of the light
RIM_MM = 7.0
RIM_SHARE = 0.8  # of the bare cells in the outermost rim: that is a lid

Mask = NDArray[np.bool_]


class WhyNot(StrEnum):
    """Why there is no paper to measure."""

    DARK = "dark"  # nothing light enough
    LITTLE = "little"  # no tone that enough of the sheet shares
    UNEVEN = "uneven"  # light, but it varies as paint does
    RIM = "rim"  # only along the picture's border
    CLIPPED = "clipped"  # the paper is at the top of the scale already


class NoPaper(Exception):
    """There is no bare paper to measure."""

    def __init__(self, why: WhyNot) -> None:
        super().__init__(why.value)
        self.why = why


@dataclass(frozen=True, slots=True, eq=False)
class PaperTone:
    """The paper's linear light as ln at the centres of cells, (rows, columns, 3), and which cells show it bare."""

    log_light: Float32Array
    bare: Mask
    cell_px: int
    spread: float  # of bare paper of JUDGED_MM about the field, in ln of the light

    def log_at(self, window: Window) -> Float32Array:
        """ln of the paper's light at every pixel of a window, (h, w, 3)."""
        return field_at(self.log_light, self.cell_px, window)

    @property
    def mean_light(self) -> NDArray[np.float64]:
        """Mean linear light of the bare paper, (3,)."""
        return np.exp(self.log_light[self.bare].astype(np.float64).mean(axis=0))


def find_paper(
    cells: CellLight, encoding: Encoding, on_sheet: Mask, cell_mm: float, *, named: tuple[int, int] | None = None
) -> PaperTone:
    """The paper of a sheet.

    on_sheet : (rows, columns), cells that lie on it. named : (row, column) of a cell that is said to be bare.

    Raises NoPaper.
    """
    luminance = cells.light @ encoding.xyz_from_rgb[1].astype(np.float32)
    level = np.log(np.maximum(luminance, LEAST_LIGHT))
    calm = on_sheet & (cells.rough < MOST_ROUGH)
    need = max(LEAST_SHARE * float(on_sheet.sum()), LEAST_MM2 / cell_mm**2)
    peak = _brightest_peak(level[calm], need) if named is None else float(level[named])
    if peak is None:
        raise NoPaper(WhyNot.LITTLE)
    if np.exp(peak) < float(xyz_y_from_lightness(np.array(LEAST_L))):
        raise NoPaper(WhyNot.DARK)
    log_light = np.log(np.maximum(cells.light, LEAST_LIGHT))
    start = calm & (np.abs(level - peak) < PEAK_HALF)
    bare, tone = grown(log_light, start, calm, cell_mm, least=LEAST_TOLERANCE, most=MOST_TOLERANCE)
    if not bare.any():
        raise NoPaper(WhyNot.LITTLE)
    spread = _slow_scatter((log_light - tone).mean(axis=2), bare, cell_mm)
    if bare.sum() < need:
        raise NoPaper(WhyNot.LITTLE)
    lighter = calm & ((log_light - tone).mean(axis=2) > LIGHTER) & (np.abs(level - peak) < 4 * PEAK_HALF)
    if named is None and (spread > MOST_SPREAD or lighter.sum() > MOST_LIGHTER * bare.sum()):
        raise NoPaper(WhyNot.UNEVEN)
    if named is None and bare[_rim(bare.shape, cell_mm)].sum() > RIM_SHARE * bare.sum():
        raise NoPaper(WhyNot.RIM)
    if np.exp(tone[bare]).min(axis=1).mean() > 0.995:
        raise NoPaper(WhyNot.CLIPPED)
    return PaperTone(tone, bare, cells.cell_px, spread)


def _brightest_peak(levels: NDArray[np.float32], need: float) -> float | None:
    """The brightest level that enough cells share, and that stands out from the levels beside it."""
    if len(levels) < need:
        return None
    edges = np.arange(float(levels.min()) - 5 * BIN, float(levels.max()) + 6 * BIN, BIN)
    count = np.histogram(levels, edges)[0].astype(np.float32)
    smooth = cv2.GaussianBlur(count[None], (0, 0), 1.5)[0]
    width = round(PEAK_HALF / BIN)
    within = np.convolve(count, np.ones(2 * width + 1), "same")
    tops = [
        k
        for k in range(1, len(smooth) - 1)
        if smooth[k] >= smooth[k - 1] and smooth[k] > smooth[k + 1] and within[k] >= need
    ]
    standing = [k for k in tops if smooth[k] >= 2 * smooth[max(0, k - 3 * width)]]
    return float(edges[standing[-1]] + BIN / 2) if standing else None


def _slow_scatter(off: NDArray[np.float32], bare: Mask, cell_mm: float) -> float:
    """Of means over squares of JUDGED_MM that are all bare; of single cells where there are none."""
    side = max(1, round(JUDGED_MM / cell_mm))
    whole = cv2.erode(bare.astype(np.uint8), np.ones((side, side), np.uint8)) > 0
    return scatter(cv2.blur(off, (side, side))[whole]) if whole.any() else scatter(off[bare])


def _rim(shape: tuple[int, int], cell_mm: float) -> Mask:
    rim = np.ones(shape, bool)
    wide = max(1, round(RIM_MM / cell_mm))
    rim[wide:-wide, wide:-wide] = False
    return rim
