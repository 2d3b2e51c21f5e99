"""Specks and hairs by their looks alone: small, sharp, grey, unlike their surroundings, and few of their kind."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from stitch.dust.contrast import contrast, grey_of, usual
from stitch.dust.shapes import PIECE_MM, small_patches
from stitch.imaging.affine import px_from_mm
from stitch.imaging.spots import Capsule, capsule, pieces
from stitch.model.geometry import Window

LEAST = 0.05  # of the code range
USUAL_TIMES = 5.0
KIN_LEAST, KIN_TIMES = 0.025, 3.5  # of what may count as one of a kind
STRONGEST_TIMES = 7.5  # somewhere in it
LEAST_PX = 3
RIM_SHARE = 0.35  # of its contrast that a sharp speck loses from its rim to a px beyond
COLOURED = 0.10  # saturation that a grey thing may have, beside half of what shines through
SHINES_SHARE = 0.5
KIN_MM = 15.0
KIN_SHARE = 0.4  # of a speck's contrast, that others need to count beside it: weak texture silences no strong speck
MOST_KIN = 2  # others like it so near: more are splatter, or the hand's own touch


@dataclass(frozen=True, slots=True)
class Look:
    """One patch that looks like dust."""

    places: tuple[Capsule, ...]  # px of the picture
    x: float
    y: float
    sign: int
    is_told: bool  # strong, grey and sharp; others only count as kin
    contrast: float  # of the code range, that it stands out by at its strongest


def find_looks(codes: NDArray[Any], around: Window, block: Window, ppi: float) -> list[Look]:
    """What looks like dust in a block. `codes` (h, w, 3) hold `around`, which reaches past the block."""
    detail = contrast(grey_of(codes), ppi)
    ordinary = usual(detail, ppi)
    found: list[Look] = []
    for sign in (-1, 1):
        strength = sign * detail / ordinary
        seen = (strength > KIN_TIMES) & (sign * detail > KIN_LEAST)
        for columns, rows in small_patches(seen, ppi, least_px=LEAST_PX):
            x, y = float(columns.mean()) + around.x0_px, float(rows.mean()) + around.y0_px
            if not (block.x0_px <= x < block.x1_px and block.y0_px <= y < block.y1_px):
                continue
            core = (strength[rows, columns] > USUAL_TIMES) & (sign * detail[rows, columns] > LEAST)
            is_told = (
                int(core.sum()) >= LEAST_PX
                and float(strength[rows, columns].max()) > STRONGEST_TIMES
                and _is_grey(codes, columns[core], rows[core])
                and _is_sharp(sign * detail, columns, rows)
            )
            if is_told:
                columns, rows = columns[core], rows[core]
            square = max(2, round(px_from_mm(PIECE_MM, ppi)))
            places = tuple(capsule(a, b) for a, b in pieces(columns + around.x0_px, rows + around.y0_px, square))
            strongest = float((sign * detail)[rows, columns].max())
            found.append(Look(places, x, y, sign, is_told, strongest))
    return found


def lonely(looks: Sequence[Look], ppi: float) -> list[Look]:
    """Those that are told and have few of their kind near them: of their sign, and not much weaker.

    A speck of dust is an outlier among what stands out around it; drops of paint, and paint's own texture, have their
    like.
    """
    if not looks:
        return []
    reach = px_from_mm(KIN_MM, ppi)
    kept = []
    for sign in (-1, 1):
        kin = [one for one in looks if one.sign == sign]
        told = [one for one in kin if one.is_told]
        if told:
            places = cKDTree([(one.x, one.y) for one in kin])
            contrasts = np.array([one.contrast for one in kin])
            for one in told:
                near = contrasts[places.query_ball_point((one.x, one.y), reach)]
                if np.count_nonzero(near >= KIN_SHARE * one.contrast) - 1 <= MOST_KIN:
                    kept.append(one)
    return kept


def _is_grey(codes: NDArray[Any], columns: NDArray[np.intp], rows: NDArray[np.intp]) -> bool:
    mine = codes[rows, columns].astype(np.float64).mean(axis=0)
    top, left = max(0, rows.min() - 4), max(0, columns.min() - 4)
    beside = codes[top : rows.max() + 5, left : columns.max() + 5].reshape(-1, 3).astype(np.float64)
    ground = np.median(beside, axis=0)
    return _saturation(mine) < COLOURED + SHINES_SHARE * _saturation(ground)


def _saturation(rgb: NDArray[np.float64]) -> float:
    return float((rgb.max() - rgb.min()) / max(rgb.max(), 1.0))


def _is_sharp(contrasts: NDArray[np.float32], columns: NDArray[np.intp], rows: NDArray[np.intp]) -> bool:
    """The contrast falls off steeply just outside the patch."""
    top, left = max(0, rows.min() - 3), max(0, columns.min() - 3)
    near = contrasts[top : rows.max() + 4, left : columns.max() + 4]
    mask = np.zeros(near.shape, np.uint8)
    mask[rows - top, columns - left] = 1
    beyond = (cv2.dilate(mask, np.ones((5, 5), np.uint8)) > 0) & (cv2.dilate(mask, np.ones((3, 3), np.uint8)) == 0)
    own = float(near[mask > 0].mean())
    return bool(beyond.any()) and own - float(near[beyond].mean()) > RIM_SHARE * own
