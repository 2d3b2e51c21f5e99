"""A canvas around placed scans: which way up, how much of the lid to keep, and whether anything is resampled at all."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from stitch.imaging.affine import IDENTITY, FloatArray, angle_deg, apply, compose, corners, px_from_mm, rigid, rows_of
from stitch.imaging.placed_map import PlacedMap, correction_of
from stitch.model.geometry import Size
from stitch.model.layout import Layout, Placement
from stitch.register.expected import scan_probability
from stitch.register.graph import nearest_turn_deg
from stitch.register.place import Registration

BORDER_MM = 5.0  # of lid kept around the painting
SIGMA_FLOOR_PX = 0.005  # the fine search repeats itself within this on noise-free scans
MAX_WHOLE_SIGMA_PX = 0.02  # only placements surer than this may be taken as whole pixels


@dataclass(frozen=True, slots=True)
class Keep:
    """The part of the upright frame to keep, in upright px; None on a side keeps everything the scans cover."""

    left_px: float | None = None
    top_px: float | None = None
    right_px: float | None = None
    bottom_px: float | None = None


def upright_from_nominal(registration: Registration) -> FloatArray:
    """Turn the common frame so that most scans lie as they were scanned, their small rotations averaging zero."""
    maps = [pose.matrix() for pose in registration.poses.values()]
    turns = Counter(nearest_turn_deg(matrix) for matrix in maps)
    common = max(turns, key=lambda turn: (turns[turn], -turn))
    small = [(angle_deg(matrix) - nearest_turn_deg(matrix) + 180) % 360 - 180 for matrix in maps]
    return rigid(-np.radians(common + float(np.mean(small))), 0.0, 0.0)


def arrange(
    registration: Registration, upright: FloatArray, keep: Keep, *, canvas_ppi: float, up_deg: int = 0
) -> Layout:
    """Lay a canvas of whole pixels around the scans.

    Parameters
    ----------
    upright : upright px from nominal px, from `upright_from_nominal`.
    keep : the rectangle to keep; cut to what the scans cover.
    canvas_ppi : resolution of the master.
    up_deg : quarter turn clockwise on top (0, 90, 180, 270); moves pixels, resamples nothing.
    """
    scale = canvas_ppi / registration.nominal_ppi
    enlarge = np.diag([scale, scale, 1.0])[:2]
    maps = {name: compose(enlarge, compose(upright, p.matrix())) for name, p in registration.poses.items()}
    maps = _anchored(maps, registration.anchor)
    sigma = {name: max(s * scale, SIGMA_FLOOR_PX) for name, s in registration.sigma_px.items()}
    whole = None if registration.shifts else _whole_pixel_maps(maps, sigma, registration.sizes)
    shift = maps[registration.anchor][:, 2] - compose(enlarge, compose(upright, _anchor_map(registration)))[:, 2]
    maps = whole or maps
    left, top, right, bottom = _rectangle(maps, registration, keep, scale, shift)
    canvas = Size(right - left, bottom - top)
    to_canvas = np.array([[1.0, 0.0, -left], [0.0, 1.0, -top]])
    turn, canvas = _turned(canvas, up_deg)
    placements = tuple(
        Placement(
            name,
            rows_of(compose(turn, compose(to_canvas, matrix))),
            sigma[name],
            correction_of(registration.shifts[name]) if name in registration.shifts else None,
            scan_probability(name, registration.links),
        )
        for name, matrix in maps.items()
    )
    return Layout(
        canvas,
        canvas_ppi,
        placements,
        registration.links,
        whole is not None,
        up_deg,
        registration.bed,
        correction=registration.correction,
        glass=registration.glass,
    )


def _anchor_map(registration: Registration) -> FloatArray:
    return registration.poses[registration.anchor].matrix()


def _anchored(maps: Mapping[str, FloatArray], anchor: str) -> dict[str, FloatArray]:
    """Shift everything so that the anchor's first pixel lies on a whole canvas pixel."""
    first = maps[anchor][:, 2]
    off = np.round(first) - first
    return {name: np.column_stack([m[:, :2], m[:, 2] + off]) for name, m in maps.items()}


def _whole_pixel_maps(
    maps: Mapping[str, FloatArray], sigma: Mapping[str, float], sizes: Mapping[str, Size]
) -> dict[str, FloatArray] | None:
    """The maps as shifts by whole pixels, when every scan is within its own uncertainty of one; else None."""
    whole = {}
    for name, matrix in maps.items():
        snapped = np.column_stack([IDENTITY[:, :2], np.round(matrix[:, 2])])
        ends = corners(sizes[name].width_px, sizes[name].height_px)
        off = np.hypot(*(apply(matrix, ends) - apply(snapped, ends)).T).max()
        if sigma[name] > MAX_WHOLE_SIGMA_PX or off > sigma[name]:
            return None
        whole[name] = snapped
    return whole


def _rectangle(
    maps: Mapping[str, FloatArray], registration: Registration, keep: Keep, scale: float, shift: FloatArray
) -> tuple[int, int, int, int]:
    frames = {n: PlacedMap(m, registration.sizes[n], registration.shifts.get(n)).frame for n, m in maps.items()}
    ends = np.concatenate([apply(m, _outer_corners(frames[n])) for n, m in maps.items()])
    x0, y0 = np.floor(ends.min(axis=0) + 0.5 + 1e-6)
    x1, y1 = np.ceil(ends.max(axis=0) + 0.5 - 1e-6)
    wanted = (keep.left_px, keep.top_px, keep.right_px, keep.bottom_px)
    asked = [None if v is None else v * scale + shift[i % 2] for i, v in enumerate(wanted)]
    left = x0 if asked[0] is None else max(x0, np.floor(asked[0]))
    top = y0 if asked[1] is None else max(y0, np.floor(asked[1]))
    right = x1 if asked[2] is None else min(x1, np.ceil(asked[2]))
    bottom = y1 if asked[3] is None else min(y1, np.ceil(asked[3]))
    return int(left), int(top), int(right), int(bottom)


def _outer_corners(frame: tuple[float, float, float, float]) -> FloatArray:
    """Outer corners of the pixels of a frame, (4, 2)."""
    left, top, right, bottom = frame
    return corners(right - left + 1, bottom - top + 1) + np.array([left, top])


def keep_around(quad_px: FloatArray, is_safe: Sequence[bool], ppi: float) -> Keep:
    """Keep the painting and a small border of lid.

    Parameters
    ----------
    quad_px : (4, 2) corners of the painting in upright px.
    is_safe : whether its left, top, right and bottom may be cropped to; another side keeps everything.
    """
    border = px_from_mm(BORDER_MM, ppi)
    low, high = quad_px.min(axis=0) - border, quad_px.max(axis=0) + border
    sides = (float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    left, top, right, bottom = (value if seen else None for value, seen in zip(sides, is_safe, strict=True))
    return Keep(left, top, right, bottom)


def _turned(canvas: Size, up_deg: int) -> tuple[FloatArray, Size]:
    w, h = canvas.width_px - 1, canvas.height_px - 1
    turns = {
        0: (IDENTITY, canvas),
        90: (np.array([[0.0, -1.0, h], [1.0, 0.0, 0.0]]), Size(canvas.height_px, canvas.width_px)),
        180: (np.array([[-1.0, 0.0, w], [0.0, -1.0, h]]), canvas),
        270: (np.array([[0.0, 1.0, 0.0], [-1.0, 0.0, w]]), Size(canvas.height_px, canvas.width_px)),
    }
    return turns[up_deg % 360]
