"""A sheet of small pictures at 100 %, each with a number and a word: to be judged one after another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from stitch.report import lettering

BOARD, INK = "#f3f4f5", "#121417"
COLUMNS = 6
GAP_PX, TEXT_PX = 14, 15


@dataclass(frozen=True, slots=True, eq=False)
class Tile:
    """Words, and pictures (h, w, 3) of one size that stand side by side."""

    words: str
    pictures: tuple[NDArray[np.uint8], ...]


def contact_sheet(heading: str, tiles: Sequence[Tile], side_px: int) -> NDArray[np.uint8]:
    """The sheet, uint8 RGB. side_px : of every picture, px."""
    most = max((len(tile.pictures) for tile in tiles), default=1)
    wide, high = most * side_px + GAP_PX, side_px + TEXT_PX + 2 * GAP_PX
    columns = max(1, min(COLUMNS, len(tiles)))
    rows = -(-len(tiles) // columns)
    top = 3 * TEXT_PX
    board = Image.new("RGB", (max(GAP_PX + columns * (wide + GAP_PX), 600), top + rows * high + GAP_PX), BOARD)
    pen = ImageDraw.Draw(board)
    room = board.size[0] - 2 * GAP_PX
    pen.text((GAP_PX, top / 2), _fitting(heading, room), font=lettering.font(TEXT_PX), fill=INK, anchor="lm")
    for k, tile in enumerate(tiles):
        left, y = GAP_PX + (k % columns) * (wide + GAP_PX), top + (k // columns) * high
        pen.text((left, y), _fitting(tile.words, wide), font=lettering.font(TEXT_PX), fill=INK, anchor="la")
        for j, picture in enumerate(tile.pictures):
            board.paste(Image.fromarray(np.ascontiguousarray(picture)), (left + j * (side_px + 2), y + TEXT_PX + 5))
    return np.asarray(board)


def _fitting(text: str, room_px: float) -> str:
    return lettering.shortened(lettering.drawable(text), TEXT_PX, room_px)
