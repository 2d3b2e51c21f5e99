"""How much of a pixel is motif, and what colour the motif has there.

A pixel near the ground is taken for a mixture c = a · f + (1 − a) · b of the motif's own colour f and the ground's b,
both known (Smith and Blinn, SIGGRAPH 1996: the ground is known everywhere). f is the colour of the strongest motif
close by, or what that must be where all of it is thin (`thin.py`); a follows from the least distance, and the ground's
part is taken out of what is left. Deeper inside nothing is mixed and nothing changes.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.cutout.ground import GroundMap, GroundTone
from stitch.cutout.thin import FINE_PX
from stitch.imaging.affine import px_from_mm
from stitch.imaging.cell_light import field_at
from stitch.imaging.colour import Float32Array
from stitch.model.geometry import Window

EDGE_MM = 1.5  # from the ground inwards that may be mixed
OWN_MM = 0.8  # how far the motif's own colour is looked for
FULL_SHARE = 0.92  # of the strongest close by: cells that show the motif's own colour
SURE = 1.8  # times the ground's floor: surely no ground
WHOLE = 0.97  # so much motif is all motif
UNMIXED_FROM, UNMIXED_ALL = 0.08, 0.35  # of alpha, below which the motif's colour is that of its surroundings

Boolean = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Matter:
    """The motif's strongest colour close by, (rows, columns, 3), the share of its own that it shows, (rows, columns),
    and how far inside the motif each cell lies, in px of the picture."""

    colour: Float32Array
    share: NDArray[np.float32]
    depth_px: NDArray[np.float32]
    cell_px: int


def margin_px() -> int:
    """Pixels around a window that its alpha depends on."""
    return 4


def matter_of(found: GroundMap, ppi: float) -> Matter:
    """The motif's colour near its edges, and the depth below them."""
    edge = px_from_mm(OWN_MM, ppi) / found.cell_px
    reach = max(1, round(edge))
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    off = np.where(found.is_outside, 0, found.off).astype(np.float32)
    full = ((off >= FULL_SHARE * cv2.dilate(off, disc)) & (off > found.floor)).astype(np.float32)
    seen = np.dstack([found.colour, found.share])
    near = np.zeros_like(seen)
    known = np.zeros(off.shape, np.float32)
    for sigma in (max(0.6, edge / 3), edge, 3 * edge):  # as near as possible
        weight = cv2.GaussianBlur(full, (0, 0), sigma)
        mean = cv2.GaussianBlur(seen * full[..., None], (0, 0), sigma) / np.maximum(weight, 1e-6)[..., None]
        use = np.clip(weight / 0.02, 0, 1) * (1 - known)
        near += mean * use[..., None]
        known += use
    near += seen * (1 - known)[..., None]
    inside = (~found.is_outside).astype(np.uint8)
    depth = cv2.distanceTransform(inside, cv2.DIST_L2, 5) * found.cell_px if found.is_outside.any() else None
    far = np.full(off.shape, 1e6, np.float32) if depth is None else np.asarray(depth, np.float32)
    return Matter(np.ascontiguousarray(near[..., :3]), near[..., 3].copy(), far, found.cell_px)


def cut(
    codes: NDArray[np.uint8] | NDArray[np.uint16],
    window: Window,
    ground: GroundTone,
    matter: Matter,
    floor: float,
    ppi: float,
    *,
    keep: Boolean | None = None,
    drop: Boolean | None = None,
) -> tuple[Float32Array, Float32Array]:
    """Colour (h, w, 3) and straight alpha (h, w) of a window, both 0..1.

    keep, drop : (h, w), pixels that are said to be motif or ground.
    """
    picture = codes.astype(np.float32) * np.float32(1 / np.iinfo(codes.dtype).max)
    behind = ground.at(window)
    own = _whole(
        field_at(matter.colour, matter.cell_px, window), behind, field_at(matter.share, matter.cell_px, window)
    )
    depth = field_at(matter.depth_px, matter.cell_px, window)
    away = own - behind
    length = np.maximum((away * away).sum(axis=2), np.float32(floor * floor))
    mixed = ((picture - behind) * away).sum(axis=2) / length
    soft = np.abs(cv2.GaussianBlur(picture, (0, 0), FINE_PX) - behind).max(axis=2)
    alpha = np.clip(mixed, 0, 1) * _step(soft, 0.6 * floor, SURE * floor)
    alpha = np.where(alpha > WHOLE, 1, alpha)
    edge = px_from_mm(EDGE_MM, ppi)
    deep = _step(depth, 0.8 * edge, 1.2 * edge)
    alpha = alpha + (1 - alpha) * deep
    alpha[depth <= 0] = 0
    if keep is not None:
        alpha[keep] = 1
    if drop is not None:
        alpha[drop] = 0
    alpha = alpha.astype(np.float32)
    return _own_colour(picture, behind, own, alpha), alpha


def _whole(seen: Float32Array, behind: Float32Array, share: NDArray[np.float32]) -> Float32Array:
    """The colour of which `seen` shows a share before the ground, as far as there is such a colour."""
    away = seen - behind
    room = np.where(away < 0, behind, 1 - behind) / np.maximum(np.abs(away), np.float32(1e-3))
    times = np.minimum(1 / share, np.maximum(room.min(axis=2), 1))
    return np.asarray(behind + times[..., None] * away, np.float32)


def _own_colour(picture: Float32Array, behind: Float32Array, own: Float32Array, alpha: Float32Array) -> Float32Array:
    """The motif's colour with the ground's part taken out; where little is left of it, that of its surroundings."""
    part = alpha[..., None]
    unmixed = np.clip((picture - (1 - part) * behind) / np.maximum(part, 1e-3), 0, 1)
    trust = _step(alpha, UNMIXED_FROM, UNMIXED_ALL)[..., None]
    return np.asarray(own + trust * (unmixed - own), np.float32).clip(0, 1)


def _step(value: NDArray[np.float32], low: float, high: float) -> Float32Array:
    t = np.clip((value - np.float32(low)) / np.float32(high - low), 0, 1)
    return np.asarray(t * t * (3 - 2 * t), np.float32)
