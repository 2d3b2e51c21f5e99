"""The outline found, drawn on a small copy of the picture, with rulers in mm along its sides to read corners from."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from stitch.model.geometry import Size

FloatArray = NDArray[np.float64]

RULER_PX = 34
BOARD, INK, UNDER = "#e9e7e2", "#1d1b18", "#ffffff"
STEPS_MM = (1, 2, 5, 10, 20, 50, 100, 200, 500)
LEAST_STEP_PX = 60


def draw_outline(
    small: NDArray[np.uint8],
    full: Size,
    mm_per_px: float,
    corners_px: FloatArray | None,
    cut_px: FloatArray | None,
) -> NDArray[np.uint8]:
    """The small copy (h, w, 3) with the corners found (4, 2) and the cut's (4, 2), px of the full picture.

    None : nothing was found; the rulers are drawn alone.
    """
    height, width = small.shape[:2]
    scale = width / full.width_px
    board = Image.new("RGB", (width + RULER_PX, height + RULER_PX), BOARD)
    board.paste(Image.fromarray(np.ascontiguousarray(small)), (RULER_PX, RULER_PX))
    pen = ImageDraw.Draw(board)
    _rulers(pen, width, height, mm_per_px / scale)
    for points, is_cut in ((corners_px, False), (cut_px, True)):
        if points is None:
            continue
        at = (points + 0.5) * scale + RULER_PX
        ring = [(float(x), float(y)) for x, y in (*at, at[0])]
        if is_cut:
            _dashed(pen, ring)
        else:
            pen.line(ring, fill=UNDER, width=5)
            pen.line(ring, fill=INK, width=2)
            for number, (x, y) in enumerate(ring[:4], 1):
                pen.ellipse((x - 11, y - 11, x + 11, y + 11), fill=UNDER, outline=INK, width=2)
                pen.text((x, y), str(number), fill=INK, anchor="mm")
    return np.asarray(board)


def _rulers(pen: ImageDraw.ImageDraw, width: int, height: int, mm_per_px: float) -> None:
    step = next((mm for mm in STEPS_MM if mm / mm_per_px >= LEAST_STEP_PX), STEPS_MM[-1])
    for k in range(int(max(width, height) * mm_per_px / step) + 1):
        at = RULER_PX + k * step / mm_per_px
        if at < width + RULER_PX:
            pen.line([(at, RULER_PX - 8), (at, RULER_PX)], fill=INK)
            pen.text((at, RULER_PX - 10), str(k * step), fill=INK, anchor="mb")
        if at < height + RULER_PX:
            pen.line([(RULER_PX - 8, at), (RULER_PX, at)], fill=INK)
            pen.text((RULER_PX - 10, at), str(k * step), fill=INK, anchor="rm")
    pen.text((4, 4), "mm", fill=INK)


def _dashed(pen: ImageDraw.ImageDraw, ring: list[tuple[float, float]]) -> None:
    for (x0, y0), (x1, y1) in pairwise(ring):
        count = max(int(np.hypot(x1 - x0, y1 - y0) / 16), 1)
        for k in range(count):
            a, b = k / count, (k + 0.5) / count
            ends = [(x0 + a * (x1 - x0), y0 + a * (y1 - y0)), (x0 + b * (x1 - x0), y0 + b * (y1 - y0))]
            pen.line(ends, fill=UNDER, width=4)
            pen.line(ends, fill=INK, width=2)
