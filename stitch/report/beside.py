"""Pictures side by side, each under its words, to compare by eye."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from stitch.report import lettering

BOARD, INK = "#f3f4f5", "#121417"
GAP_PX = 24


def beside(pictures: Sequence[tuple[str, NDArray[np.uint8]]]) -> NDArray[np.uint8]:
    """A board with pictures (h, w, 3) of one height from left to right, their words above; uint8 RGB."""
    height = max(picture.shape[0] for _, picture in pictures)
    text = max(16, height // 40)
    top = 2 * text
    width = sum(picture.shape[1] for _, picture in pictures) + GAP_PX * (len(pictures) + 1)
    board = Image.new("RGB", (width, top + height + GAP_PX), BOARD)
    pen = ImageDraw.Draw(board)
    left = GAP_PX
    for words, picture in pictures:
        shown = lettering.shortened(lettering.drawable(words), text, picture.shape[1])
        pen.text((left, top / 2), shown, font=lettering.font(text), fill=INK, anchor="lm")
        board.paste(Image.fromarray(np.ascontiguousarray(picture)), (left, top))
        left += picture.shape[1] + GAP_PX
    return np.asarray(board)
