"""A draft of the seams as a picture: a seam map that says of itself that the master is another one."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from stitch.report import lettering

NOTICE = "Draft: not yet in the master"
BAND = "#f3f4f5"
BAND_INK = "#121417"
OUTLINE = "#ffffff"
OUTLINE_CASING = "#0b0c0e"
TEXT_SHARE = 1 / 34  # of the picture's width
SMALLEST_TEXT_PX = 16


@dataclass(frozen=True, slots=True)
class Region:
    """A region asked for by hand: the words beside it, and its corners in canvas px."""

    words: str
    corners_px: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Sight:
    """Where the canvas lies on a picture: picture px = (canvas px + 0.5) × scale − 0.5 + origin."""

    picture_from_canvas: float
    origin_px: int
    line_px: int
    text_px: int


def outlined(board: Image.Image, regions: Sequence[Region], sight: Sight) -> None:
    """Draw the regions' outlines, dashed, each with its words; in place."""
    pen = ImageDraw.Draw(board)
    for region in regions:
        corners = (np.array(region.corners_px) + 0.5) * sight.picture_from_canvas - 0.5 + sight.origin_px
        ring = [*map(tuple, corners.tolist()), tuple(corners[0].tolist())]
        pen.line(ring, fill=OUTLINE_CASING, width=3 * sight.line_px, joint="curve")
        _dashed(pen, ring, sight.line_px)
        _worded(pen, region.words, corners, sight, board.size)


def with_notice(picture: NDArray[np.uint8], words: str) -> NDArray[np.uint8]:
    """The picture under a light band that says that it is a draft, with `words` on a second line."""
    width = picture.shape[1]
    size = max(SMALLEST_TEXT_PX, round(width * TEXT_SHARE))
    small = max(SMALLEST_TEXT_PX, round(0.6 * size))
    band_px = round(2.2 * size + 1.4 * small)
    board = Image.new("RGB", (width, picture.shape[0] + band_px), BAND)
    board.paste(Image.fromarray(picture), (0, band_px))
    pen = ImageDraw.Draw(board)
    left = round(0.8 * size)
    room = width - 2 * left
    for text, size_px, y in ((NOTICE, size, 1.1 * size), (words, small, 2.1 * size + 0.5 * small)):
        shown = lettering.shortened(lettering.drawable(text), size_px, room)
        pen.text((left, y), shown, font=lettering.font(size_px), fill=BAND_INK, anchor="lm")
    return np.asarray(board)


def _dashed(pen: ImageDraw.ImageDraw, ring: Sequence[tuple[float, ...]], line_px: int) -> None:
    dash = 7.0 * line_px
    for start, end in itertools.pairwise(ring):
        a, b = np.array(start), np.array(end)
        length = float(np.hypot(*(b - a)))
        for k in range(int(length / (2 * dash)) + 1):
            ends = (a + (b - a) * min(1.0, at / max(length, 1e-9)) for at in (2 * k * dash, (2 * k + 1) * dash))
            pen.line([tuple(end.tolist()) for end in ends], fill=OUTLINE, width=line_px)


def _worded(
    pen: ImageDraw.ImageDraw, words: str, corners: NDArray[np.float64], sight: Sight, size: tuple[int, int]
) -> None:
    """Above the region's top edge, or below its bottom edge where there is no room above."""
    text = lettering.drawable(words)
    half = lettering.width_px(text, sight.text_px) / 2 + sight.text_px / 4
    x = float(np.clip(corners[:, 0].mean(), half, max(half, size[0] - half)))
    above, below = float(corners[:, 1].min()) - 0.8 * sight.text_px, float(corners[:, 1].max()) + 0.8 * sight.text_px
    lettering.haloed(pen, (x, above if above > sight.text_px else below), text, sight.text_px)
