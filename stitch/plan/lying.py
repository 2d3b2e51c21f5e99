"""Upright rectangles of the painting, from the way it lies to the way it is seen from the front."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Rect:
    """x to the right, y down, mm."""

    x: float
    y: float
    width: float
    height: float

    @property
    def right(self) -> float:
        """The far end across."""
        return self.x + self.width

    @property
    def bottom(self) -> float:
        """The far end down."""
        return self.y + self.height


def lying_size(width: float, height: float, turn_deg: int) -> tuple[float, float]:
    """Width and height of a painting that lies turned by a multiple of 90°."""
    return (width, height) if turn_deg % 180 == 0 else (height, width)


def turned(rect: Rect, width: float, height: float, turn_deg: int) -> Rect:
    """A rectangle on a sheet of `width` × `height` after the sheet was turned clockwise by a multiple of 90°."""
    for _ in range(turn_deg // 90 % 4):
        rect = Rect(height - rect.bottom, rect.x, rect.height, rect.width)
        width, height = height, width
    return rect


def mirrored(rect: Rect, width: float) -> Rect:
    """The rectangle as seen from the other side of the sheet."""
    return Rect(width - rect.right, rect.y, rect.width, rect.height)


def front_of(lying: Rect, width: float, height: float, turn_deg: int) -> Rect:
    """In the painting's frame, from the frame of the painting as it lies face down, turned clockwise by `turn_deg`.

    width, height : of the painting, upright.
    """
    back = turned(lying, *lying_size(width, height, turn_deg), -turn_deg)
    return mirrored(back, width)


def lying_of(front: Rect, width: float, height: float, turn_deg: int) -> Rect:
    """The inverse of `front_of`."""
    return turned(mirrored(front, width), width, height, turn_deg)
