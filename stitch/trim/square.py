"""From four corners to a square-cornered picture: turn, shear and taper, and the map that undoes them.

Corners go clockwise from the top left and are (x, y) in px of the picture; the sides run through them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import corners as grid_corners
from stitch.imaging.projective import project, projective_between
from stitch.model.geometry import Size

FloatArray = NDArray[np.float64]

SQUARE_DEG = 0.02  # sides no farther from the pixel grid than this: cropped without making a pixel anew
USUAL_LIMIT_DEG = 0.3  # a scanner leaves less; more is the sheet's own shape (the project's own)


@dataclass(frozen=True, slots=True)
class Lean:
    """How four corners lie. All angles in degrees, positive clockwise as seen."""

    turn_deg: float  # mean of the four sides
    shear_deg: float  # of the upright sides against the level ones
    taper_deg: float  # largest half-difference between opposite sides
    corner_deg: float  # largest departure of a corner from 90°
    side_deg: float  # largest departure of a side from the pixel grid


@dataclass(frozen=True, slots=True, eq=False)
class Cut:
    """Where the new picture lies: `picture_from_cut` (3, 3), px of the picture from px of the new one."""

    size: Size
    picture_from_cut: FloatArray
    is_whole: bool  # whole pixels are copied


def lean_of(corners_px: FloatArray) -> Lean:
    """How four corners (4, 2) lie."""
    top, right, bottom, left = (_angle(corners_px[a], corners_px[b]) for a, b in ((0, 1), (1, 2), (3, 2), (0, 3)))
    level, upright = (top + bottom) / 2, (left + right) / 2 - 90.0
    departures = (left - top, right - top, right - bottom, left - bottom)
    return Lean(
        turn_deg=(level + upright) / 2,
        shear_deg=upright - level,
        taper_deg=max(abs(top - bottom), abs(left - right)) / 2,
        corner_deg=max(abs(angle - 90.0) for angle in departures),
        side_deg=max(abs(top), abs(bottom), abs(left - 90.0), abs(right - 90.0)),
    )


def cut_for(corners_px: FloatArray, border_px: float, *, only_turn: bool = False) -> Cut:
    """The cut along four corners with `border_px` more on every side (less when negative).

    The scale stays as it is: the sides of the new picture are the means of opposite ones. With `only_turn` nothing but
    a rotation is undone.
    """
    lean = lean_of(corners_px)
    if lean.side_deg <= SQUARE_DEG:
        return _whole(corners_px, border_px)
    width, height = side_lengths(corners_px)
    size = Size(max(round(width + 2 * border_px), 1), max(round(height + 2 * border_px), 1))
    middle = np.array([size.width_px - 1, size.height_px - 1]) / 2
    target = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * (width / 2, height / 2) + middle
    source = corners_px if not only_turn else _turned_rectangle(corners_px, width, height, lean.turn_deg)
    return Cut(size, projective_between(source, target), is_whole=False)


def side_lengths(corners_px: FloatArray) -> tuple[float, float]:
    """Mean width and mean height, px."""
    sides = [float(np.hypot(*(corners_px[b] - corners_px[a]))) for a, b in ((0, 1), (3, 2), (0, 3), (1, 2))]
    return (sides[0] + sides[1]) / 2, (sides[2] + sides[3]) / 2


def missing_px(cut: Cut, picture: Size) -> float:
    """How far the cut reaches out of the picture, px; 0 when it lies inside."""
    reached = project(cut.picture_from_cut, grid_corners(cut.size.width_px, cut.size.height_px))
    low, high = reached + 0.5, np.array([picture.width_px, picture.height_px]) - 0.5 - reached
    return max(0.0, -float(min(low.min(), high.min())))


def _whole(corners_px: FloatArray, border_px: float) -> Cut:
    left, top = corners_px[[0, 3], 0].mean() - border_px, corners_px[[0, 1], 1].mean() - border_px
    right, bottom = corners_px[[1, 2], 0].mean() + border_px, corners_px[[2, 3], 1].mean() + border_px
    x0, y0, x1, y1 = (round(float(edge) + 0.5) for edge in (left, top, right, bottom))
    shift = np.array([[1.0, 0.0, x0], [0.0, 1.0, y0], [0.0, 0.0, 1.0]])
    return Cut(Size(max(x1 - x0, 1), max(y1 - y0, 1)), shift, is_whole=True)


def _turned_rectangle(corners_px: FloatArray, width: float, height: float, turn_deg: float) -> FloatArray:
    """The rectangle of mean sides about the corners' middle."""
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    upright = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * (width / 2, height / 2)
    return upright @ np.array([[c, s], [-s, c]]) + corners_px.mean(axis=0)


def _angle(start: FloatArray, end: FloatArray) -> float:
    return float(np.degrees(np.arctan2(end[1] - start[1], end[0] - start[0])))
