"""Scans held against each other where they show the same: light and fine detail, in cells of a few millimetres."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.check.look import Look
from stitch.imaging.affine import FloatArray, apply, compose, invert

LEAST_CELLS = 6  # fewer common cells say nothing
PLAIN_SHARE = 4.0  # times the noise: detail of a cell that is worth comparing
NOISE_PERCENTILE = 2.0
DARK, BRIGHT = 0.02, 0.9  # linear light compared
RIM_CELLS = 1  # along a scan's border, where half a cell may hang over it


@dataclass(frozen=True, slots=True, eq=False)
class Side:
    """One scan to compare."""

    look: Look
    light: NDArray[np.float64]  # (rows, columns, 3) linear, of the same cells
    mm_from_scan: FloatArray  # (2, 3)


@dataclass(frozen=True, slots=True, eq=False)
class Shared:
    """What two scans show of the same places: one row for each cell."""

    scan_a: str
    scan_b: str
    detail: NDArray[np.float64]  # (n,) log of a's detail ÷ b's
    at_a: NDArray[np.float64]  # (n, 2) scan px
    at_b: NDArray[np.float64]
    light: NDArray[np.float64]  # (m, 3) log of a's light ÷ b's, of cells neither dark nor blown


def compare_all(sides: Mapping[str, Side]) -> list[Shared]:
    """Every two scans with cells in common."""
    found = []
    for a, b in combinations(sides, 2):
        shared = _compared(a, b, sides[a], sides[b])
        if shared is not None:
            found.append(shared)
    return found


def _compared(name_a: str, name_b: str, a: Side, b: Side) -> Shared | None:
    """Both ways round, so that what interpolating smooths away falls out of the mean."""
    b_from_a = compose(invert(b.mm_from_scan), a.mm_from_scan)
    one = _from_cells(a, b, b_from_a)
    if one is None:
        return None
    other = _from_cells(b, a, invert(b_from_a))
    if other is None:
        return None
    detail, at_a, at_b, light = one
    back, back_b, back_a, back_light = other
    return Shared(
        name_a,
        name_b,
        np.concatenate([detail, -back]),
        np.concatenate([at_a, back_a]),
        np.concatenate([at_b, back_b]),
        np.concatenate([light, -back_light]),
    )


def _from_cells(
    a: Side, b: Side, b_from_a: FloatArray
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]] | None:
    centres = a.look.centres()[RIM_CELLS:-RIM_CELLS, RIM_CELLS:-RIM_CELLS]
    if not centres.size:
        return None
    at_a = centres.reshape(-1, 2)
    at_b = apply(b_from_a, at_a)
    cells = (at_b - (b.look.cell_px - 1) / 2) / b.look.cell_px
    rows, columns = b.look.detail.shape
    inside = (cells >= RIM_CELLS).all(axis=1) & (cells <= (columns - 1 - RIM_CELLS, rows - 1 - RIM_CELLS)).all(axis=1)
    if inside.sum() < LEAST_CELLS:
        return None
    inner = np.s_[RIM_CELLS:-RIM_CELLS, RIM_CELLS:-RIM_CELLS]
    mine, noise_a = a.look.detail[inner].reshape(-1)[inside], _noise(a.look)
    theirs, noise_b = _at(b.look.detail, cells[inside]), _noise(b.look)
    speaks = np.maximum(mine / noise_a, theirs / noise_b) > PLAIN_SHARE
    ratio = np.log(np.maximum(mine, noise_a)) - np.log(np.maximum(theirs, noise_b))
    light_a, light_b = a.light[inner].reshape(-1, 3)[inside], _at(b.light, cells[inside])
    usable = ((light_a > DARK) & (light_a < BRIGHT) & (light_b > DARK) & (light_b < BRIGHT)).all(axis=1)
    return (
        ratio[speaks],
        at_a[inside][speaks],
        at_b[inside][speaks],
        np.log(light_a[usable]) - np.log(light_b[usable]),
    )


def _noise(look: Look) -> float:
    """Detail of the plainest cells: what noise alone gives."""
    return max(1e-12, float(np.percentile(look.detail, NOISE_PERCENTILE)))


def _at(values: NDArray[np.float64], cells: NDArray[np.float64]) -> NDArray[np.float64]:
    x, y = (np.ascontiguousarray(cells[:, k], dtype=np.float32)[:, None] for k in (0, 1))
    found = cv2.remap(values.astype(np.float32), x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(found, np.float64).reshape(len(cells), *values.shape[2:])


def levels(
    names: Sequence[str], pairs: Sequence[tuple[str, str, float, int]], *, least: int = LEAST_CELLS
) -> dict[str, float]:
    """One level a scan from differences of pairs (a, b, a − b, cells), by least squares; the median level is 0.

    Scans that no pair of `least` cells reaches are left out.
    """
    used = [pair for pair in pairs if pair[3] >= least]
    known = [name for name in names if any(name in pair[:2] for pair in used)]
    if not known:
        return {}
    index = {name: k for k, name in enumerate(known)}
    rows = np.zeros((len(used) + 1, len(known)))
    right = np.zeros(len(used) + 1)
    for k, (a, b, difference, count) in enumerate(used):
        weight = np.sqrt(count)
        rows[k, index[a]], rows[k, index[b]], right[k] = weight, -weight, weight * difference
    rows[-1] = 1e-3
    solved = np.linalg.lstsq(rows, right, rcond=None)[0]
    return dict(zip(known, (solved - np.median(solved)).tolist(), strict=True))
