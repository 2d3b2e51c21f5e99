"""A small picture of what the scans cover: their frames, the ones to make again, and what is missing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from stitch.report.lettering import drawable, haloed, shortened, width_px

LONG_SIDE_PX = 1100
MARGIN_PX = 24
GROUND, BARE = (32, 34, 38), (92, 40, 36)
FINE, AGAIN, MISSING = "#9fd0e6", "#f0b24a", "#ff6b57"
DIM = 0.62
LEAST_TEXT_PX, MOST_TEXT_PX = 26, 44  # as large as names leave room for: the page may be read on a phone
NAME_SHARE = 0.68  # of a scan's width: its neighbours' names begin there


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """One placed scan."""

    scan_id: str
    corners_mm: NDArray[np.float64]  # (4, 2)
    is_again: bool


def draw_coverage(
    rgb: NDArray[np.float32],
    covered: NDArray[np.bool_],
    px_per_mm: float,
    pieces: Sequence[Piece],
    missing_mm: Sequence[NDArray[np.float64]],
) -> Image.Image:
    """Draw it.

    rgb, covered : the small picture of all scans, (h, w, 3) encoded 0..1 and (h, w); its top left is the frame's
    origin. missing_mm : corners of what no scan covers, (4, 2) each.
    """
    corners = [np.zeros((1, 2)), np.array([covered.shape[::-1]]) / px_per_mm]
    ends = np.concatenate([*corners, *(piece.corners_mm for piece in pieces), *missing_mm])
    low, high = ends.min(axis=0), ends.max(axis=0)
    scale = (LONG_SIDE_PX - 2 * MARGIN_PX) / float((high - low).max())
    width, height = (int(n) for n in np.ceil((high - low) * scale) + 2 * MARGIN_PX)
    shown = np.empty((height, width, 3), np.uint8)
    shown[:] = GROUND
    _paste(shown, rgb, covered, scale / px_per_mm, MARGIN_PX - low * scale)
    picture = Image.fromarray(shown)
    draw = ImageDraw.Draw(picture)
    text_px = _text_px([(_words(piece), NAME_SHARE * scale * _width(piece.corners_mm)) for piece in pieces])
    for quad in missing_mm:
        _missing(draw, (quad - low) * scale + MARGIN_PX, text_px)
    for piece in sorted(pieces, key=lambda one: one.is_again):
        at = (piece.corners_mm - low) * scale + MARGIN_PX
        colour = AGAIN if piece.is_again else FINE
        _frame(draw, at, colour, 4 if piece.is_again else 2)
        x, y = (float(v) for v in at.mean(axis=0))
        haloed(draw, (x, y), shortened(_words(piece), text_px, _width(at) - 12), text_px, fill=colour)
    return picture


def _words(piece: Piece) -> str:
    return drawable(f"{piece.scan_id}: again" if piece.is_again else piece.scan_id)


def _width(corners: NDArray[np.float64]) -> float:
    return float(np.ptp(corners[:, 0]))


def _text_px(words_and_room: Sequence[tuple[str, float]]) -> int:
    """The size at which every text has room, within limits."""
    fits = [LEAST_TEXT_PX * room / max(1.0, width_px(text, LEAST_TEXT_PX)) for text, room in words_and_room]
    return int(min(MOST_TEXT_PX, max(LEAST_TEXT_PX, min(fits, default=LEAST_TEXT_PX))))


def _paste(
    shown: NDArray[np.uint8],
    rgb: NDArray[np.float32],
    covered: NDArray[np.bool_],
    ratio: float,
    at: NDArray[np.float64],
) -> None:
    size = max(1, round(rgb.shape[1] * ratio)), max(1, round(rgb.shape[0] * ratio))
    small = cv2.resize(np.clip(rgb, 0, 1), size, interpolation=cv2.INTER_AREA)
    mask = cv2.resize(covered.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    pixels = np.where(mask[..., None], small * 255 * DIM, BARE).astype(np.uint8)
    x, y = (round(float(v)) for v in at)
    part = shown[y : y + size[1], x : x + size[0]]
    part[:] = pixels[: part.shape[0], : part.shape[1]]


def _frame(draw: ImageDraw.ImageDraw, at: NDArray[np.float64], colour: str, width: int) -> None:
    points = [(float(x), float(y)) for x, y in at]
    draw.line([*points, points[0]], fill=colour, width=width, joint="curve")


def _missing(draw: ImageDraw.ImageDraw, at: NDArray[np.float64], text_px: int) -> None:
    """A frame with both its diagonals, and the word."""
    _frame(draw, at, MISSING, 4)
    points = [(float(x), float(y)) for x, y in at]
    draw.line([points[0], points[2]], fill=MISSING, width=2)
    draw.line([points[1], points[3]], fill=MISSING, width=2)
    middle = at.mean(axis=0)
    haloed(draw, (float(middle[0]), float(middle[1])), "missing", text_px, fill=MISSING)
