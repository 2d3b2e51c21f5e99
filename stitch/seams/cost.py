"""What it costs to cut at a cell: how visible the change from one scan to the other would be there.

The cost follows Kwatra et al., Graphcut Textures, ACM Transactions on Graphics 22(3), 277–286, 2003: a border between
two cells costs the disagreement of the two pictures at both. Disagreement is taken in CIEDE2000 of the low-passed
pictures, plus the difference of their detail's strength (blur changes it) and of the detail itself, at a quarter of a
millimetre (misregistration moves it, relief turns it round when a piece lay turned); texture hides a step, so it lowers
the cost. Near its own border a scan is blurred and darkened where the sheet lifts, so cutting there costs more.
The constants are the project's own.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import mm_from_px
from stitch.imaging.colour import delta_e_2000
from stitch.model.geometry import Window
from stitch.seams.colours import CellColours
from stitch.seams.lattice import Lattice, Part

FLOOR_DE00 = 0.3  # a cut costs something even where the scans agree: shorter is better
MOST_DE00 = 12.0  # beyond this, worse is no worse
DETAIL_WEIGHT = 1.0
STRUCTURE_WEIGHT = 1.5
STRUCTURE_QUARTERS = 7  # side of the square whose mean is no detail
TEXTURE_HALVES_AT = 4.0  # detail (0..100) that halves the cost
MOST_TEXTURE = 12.0
BORDER_MM = 5.0
BORDER_COST = 3.0
Float32Array = NDArray[np.float32]


def cut_costs(
    lattice: Lattice, parts: tuple[Part, ...], colours: list[CellColours], canvas_ppi: float
) -> list[Float32Array]:
    """For every part the cost, per cell of length, of a border of its region at each cell.

    A border between two scans costs the sum of both parts' figures.
    """
    disagreement = np.zeros((lattice.rows, lattice.columns), dtype=np.float32)
    for i, part in enumerate(parts):
        for j in range(i):
            _add_pair(disagreement, (part, colours[i]), (parts[j], colours[j]))
    return [0.5 * disagreement[part.place] + _border_cost(part, canvas_ppi) for part in parts]


def _add_pair(disagreement: Float32Array, first: tuple[Part, CellColours], second: tuple[Part, CellColours]) -> None:
    shared = first[0].window.intersection(second[0].window)
    if shared.is_empty:
        return
    a, b = shared.slices_in(first[0].window), shared.slices_in(second[0].window)
    both = (first[0].depth_px[a] > 0) & (second[0].depth_px[b] > 0)
    if not both.any():
        return
    step = delta_e_2000(first[1].lab[a][both], second[1].lab[b][both])
    detail_a, detail_b = first[1].detail[a][both], second[1].detail[b][both]
    structure = _structure_apart(_quarters(first[1].fine, a), _quarters(second[1].fine, b))[both]
    unlike = step + DETAIL_WEIGHT * np.abs(detail_a - detail_b) + STRUCTURE_WEIGHT * structure
    visible = FLOOR_DE00 + np.minimum(unlike, MOST_DE00)
    texture = np.minimum(np.minimum(detail_a, detail_b), MOST_TEXTURE)
    cost = (visible / (1.0 + texture / TEXTURE_HALVES_AT)).astype(np.float32)
    there = disagreement[_place(shared)]
    there[both] = np.maximum(there[both], cost)


def _quarters(fine: Float32Array, cells: tuple[slice, slice]) -> Float32Array:
    rows, columns = (slice(2 * part.start, 2 * part.stop) for part in cells)
    return fine[rows, columns]


def _structure_apart(fine_a: Float32Array, fine_b: Float32Array) -> Float32Array:
    """Per cell the rms, over it and its neighbours, of what differs in two pictures beside their local mean."""
    apart = fine_a - fine_b
    apart = apart - cv2.blur(apart, (STRUCTURE_QUARTERS, STRUCTURE_QUARTERS))
    size = (apart.shape[1] // 2, apart.shape[0] // 2)
    square = cv2.resize(apart * apart, size, interpolation=cv2.INTER_AREA)
    return np.asarray(np.sqrt(np.maximum(cv2.blur(square, (3, 3)), 0.0)), dtype=np.float32)


def _border_cost(part: Part, canvas_ppi: float) -> Float32Array:
    depth_mm = mm_from_px(1.0, canvas_ppi) * part.depth_px
    return (BORDER_COST * np.clip(1.0 - depth_mm / BORDER_MM, 0.0, 1.0) ** 2).astype(np.float32)


def _place(window: Window) -> tuple[slice, slice]:
    return slice(window.y0_px, window.y1_px), slice(window.x0_px, window.x1_px)
