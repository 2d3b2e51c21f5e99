"""The proof: strips of the work at the print's own scale on one sheet, with a grey step and a ruler."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw
from PIL.ImageFont import FreeTypeFont, ImageFont

from stitch.imaging.affine import px_from_mm
from stitch.model.geometry import Size

Font = Callable[[int], FreeTypeFont | ImageFont]

MARGIN_MM, CAPTION_MM, TEXT_MM = 10.0, 6.0, 3.0
HEAD_MM, FOOT_MM, RULER_MM = 16.0, 30.0, 100.0
GREYS = tuple(range(0, 101, 5))  # L*


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """Pixels of the work at print scale, uint8 (h, w, 3) in the print's profile, and the words above."""

    words: str
    codes: NDArray[np.uint8]


def strip_mm(sheet_mm: tuple[float, float], count: int) -> tuple[float, float]:
    """Width and height of each of `count` strips, one below the other."""
    width, height = sheet_mm
    room = height - 2 * MARGIN_MM - HEAD_MM - FOOT_MM
    return width - 2 * MARGIN_MM, room / count - CAPTION_MM - 2.0


def draw_proof(
    sheet: Size, dpi: float, heading: Sequence[str], strips: Sequence[Strip], greys: NDArray[np.uint8], font: Font
) -> NDArray[np.uint8]:
    """The sheet, uint8 (h, w, 3), in the print's profile. greys : (21, 3) codes of L* 0 to 100 in fives."""

    def px(length_mm: float) -> int:
        return round(px_from_mm(length_mm, dpi))

    board = Image.new("RGB", (sheet.width_px, sheet.height_px), "#ffffff")
    pen, letters = ImageDraw.Draw(board), font(px(TEXT_MM))
    left, y = px(MARGIN_MM), px(MARGIN_MM)
    for line in heading:
        pen.text((left, y), line, font=letters, fill="#000000")
        y += px(1.5 * TEXT_MM)
    y = px(MARGIN_MM + HEAD_MM)
    for strip in strips:
        pen.text((left, y + px(1.0)), strip.words, font=letters, fill="#000000")
        board.paste(Image.fromarray(strip.codes), (left, y + px(CAPTION_MM)))
        y += px(CAPTION_MM + 2.0) + strip.codes.shape[0]
    _foot(pen, sheet, px, greys, letters)
    return np.asarray(board)


def _foot(
    pen: ImageDraw.ImageDraw,
    sheet: Size,
    px: Callable[[float], int],
    greys: NDArray[np.uint8],
    letters: FreeTypeFont | ImageFont,
) -> None:
    left, top = px(MARGIN_MM), sheet.height_px - px(MARGIN_MM + FOOT_MM - 4.0)
    side = (sheet.width_px - 2 * left) // len(greys)
    for k, (lightness, grey) in enumerate(zip(GREYS, greys, strict=True)):
        x, colour = left + k * side, (int(grey[0]), int(grey[1]), int(grey[2]))
        pen.rectangle((x, top, x + side - 1, top + px(10.0)), fill=colour)
        pen.text((x + side // 2, top + px(11.0)), str(lightness), font=letters, fill="#000000", anchor="ma")
    y = top + px(20.0)
    pen.line([(left, y), (left + px(RULER_MM), y)], fill="#000000", width=px(0.3))
    for tick in range(0, int(RULER_MM) + 1, 10):
        pen.line([(left + px(tick), y - px(2.0)), (left + px(tick), y)], fill="#000000", width=px(0.3))
    words = "L* of the grey step above. This ruler is 100 mm: if it is not, the sheet was scaled."
    pen.text((left, y + px(1.0)), words, font=letters, fill="#000000")
