"""The worst places along the seams, cut out of the master at 100 %."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import mm_from_px
from stitch.model.geometry import Size, Window
from stitch.model.seams import SeamLine
from stitch.report import scale
from stitch.report.files import png_bytes
from stitch.report.measures import VISIBLE_SHIFT_PX, VISIBLE_STEP_DE00
from stitch.report.preview import eight_bit

CROP_PX = 360
SPREAD_FRACTION = 0.06  # of the canvas' long side: how far spots keep apart while there are enough of them

ReadPixels = Callable[[Window], NDArray[Any]]


@dataclass(frozen=True, slots=True)
class Spot:
    """One place on a seam, with two pictures of it at 100 %."""

    scan_a: str
    scan_b: str
    place_px: tuple[float, float]  # canvas px
    place_mm: tuple[float, float]  # from the master's left and top edges
    step_de00: float | None
    misregistration_px: float | None
    misregistration_mm: float | None
    crop: Window  # what the pictures show
    shown_png: bytes  # with the seam drawn
    hidden_png: bytes  # as it is in the master


@dataclass(frozen=True, slots=True)
class _Place:
    line: SeamLine
    index: int

    @property
    def point(self) -> tuple[float, float]:
        return self.line.points_px[self.index]

    @property
    def step_de00(self) -> float:
        return self.line.step_de00[self.index]

    @property
    def shift_px(self) -> float | None:
        return self.line.misregistration_px[self.index]

    @property
    def badness(self) -> float:
        """Step or shift, whichever is the larger share of what may be seen."""
        return max(_number(self.step_de00) / VISIBLE_STEP_DE00, _number(self.shift_px) / VISIBLE_SHIFT_PX)


def anywhere(_point: tuple[float, float]) -> bool:
    """Every place counts."""
    return True


def crop_spots(
    read_master: ReadPixels,
    lines: Sequence[SeamLine],
    labels_at: ReadPixels,
    canvas: Size,
    canvas_ppi: float,
    count: int = 12,
    *,
    profile: bytes | None = None,
    counts: Callable[[tuple[float, float]], bool] = anywhere,
    pool: Executor | None = None,
) -> tuple[Spot, ...]:
    """The worst `count` places, worst first, kept apart from each other.

    Parameters
    ----------
    read_master : uint8 or uint16 RGB (h, w, 3) of a canvas window inside the canvas.
    labels_at : uint8 labels (h, w) of a canvas window.
    profile : the master's ICC profile, embedded in the crops so that their colours are shown right.
    counts : whether a place (canvas px) is on the painting; others are shown only when there are none.
    pool : where several are made at once.

    The order is by ΔE2000 step or by misregistration, whichever is larger in units of `VISIBLE_STEP_DE00` and
    `VISIBLE_SHIFT_PX`. 16-bit pixels lose their low byte; nothing else is done to the crops.
    """

    def cut(place: _Place) -> Spot:
        return _cut(place, read_master, labels_at, canvas, canvas_ppi, profile)

    return tuple((pool.map if pool else map)(cut, worst_places(lines, canvas, count, counts)))


def worst_places(
    lines: Sequence[SeamLine], canvas: Size, count: int, counts: Callable[[tuple[float, float]], bool] = anywhere
) -> tuple[_Place, ...]:
    """Places in falling order of badness, no two nearer than a distance that is halved until `count` are found.

    They never come nearer than one crop, so there may be fewer than `count`.
    """
    places = [_Place(line, index) for line in lines for index in range(len(line.points_px))]
    places = [place for place in places if counts(place.point)] or places
    places.sort(key=lambda place: -place.badness)
    apart_px = max(float(CROP_PX), SPREAD_FRACTION * max(canvas.width_px, canvas.height_px))
    while True:
        chosen = _apart(places, apart_px, count)
        if len(chosen) >= count or apart_px <= CROP_PX:
            return tuple(chosen)
        apart_px = max(float(CROP_PX), apart_px / 2)


def _apart(places: Sequence[_Place], apart_px: float, count: int) -> list[_Place]:
    chosen: list[_Place] = []
    for place in places:
        if len(chosen) == count:
            break
        if all(math.dist(place.point, other.point) >= apart_px for other in chosen):
            chosen.append(place)
    return chosen


def _cut(
    place: _Place,
    read_master: ReadPixels,
    labels_at: ReadPixels,
    canvas: Size,
    canvas_ppi: float,
    profile: bytes | None,
) -> Spot:
    x, y = place.point
    crop = crop_window(x, y, canvas)
    hidden = eight_bit(read_master(crop))
    shown = with_seam(hidden, labels_at(crop), scale.step_class(place.step_de00).colour)
    shift_px = _finite_or_none(place.shift_px)
    return Spot(
        scan_a=place.line.scan_a,
        scan_b=place.line.scan_b,
        place_px=(x, y),
        place_mm=(mm_from_px(x + 0.5, canvas_ppi), mm_from_px(y + 0.5, canvas_ppi)),
        step_de00=_finite_or_none(place.step_de00),
        misregistration_px=shift_px,
        misregistration_mm=None if shift_px is None else mm_from_px(shift_px, canvas_ppi),
        crop=crop,
        shown_png=png_bytes(shown, profile=profile),
        hidden_png=png_bytes(hidden, profile=profile),
    )


def crop_window(x: float, y: float, canvas: Size) -> Window:
    """A window of `CROP_PX` round a point, moved inside the canvas (smaller only when the canvas is)."""
    width, height = min(CROP_PX, canvas.width_px), min(CROP_PX, canvas.height_px)
    left = min(max(0, round(x) - width // 2), canvas.width_px - width)
    top = min(max(0, round(y) - height // 2), canvas.height_px - height)
    return Window(left, top, width, height)


def with_seam(pixels: NDArray[np.uint8], labels: NDArray[Any], colour: str) -> NDArray[np.uint8]:
    """A copy of `pixels` (h, w, 3) with the borders between labels (h, w) drawn: coloured, dark on either side."""
    border = np.zeros(labels.shape, dtype=bool)
    border[:, 1:] |= labels[:, 1:] != labels[:, :-1]
    border[1:] |= labels[1:] != labels[:-1]
    drawn = pixels.copy()
    drawn[_thicker(border, 2)] = scale.rgb(scale.CASING_COLOUR)
    drawn[_thicker(border, 1)] = scale.rgb(colour)
    return drawn


def _thicker(mask: NDArray[np.bool_], by_px: int) -> NDArray[np.bool_]:
    grown = np.pad(mask, by_px)
    height, width = mask.shape
    result = np.zeros_like(mask)
    for dy in range(2 * by_px + 1):
        for dx in range(2 * by_px + 1):
            result |= grown[dy : dy + height, dx : dx + width]
    return result


def _finite_or_none(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def _number(value: float | None) -> float:
    return _finite_or_none(value) or 0.0
