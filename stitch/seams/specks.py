"""Dust that lies in one scan only: where another scan is clean, the dirty one is not used.

A speck is a place that is darker, or lighter, in one scan than anything another scan shows there or beside it. Small
such places in few numbers are dirt; many of them are relief lit from another side, a blurred scan or a misplaced one,
and large ones something that was moved. What is known to lie on the glass counts as well.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import mm_from_px, scale_of
from stitch.imaging.discs import glass_discs_px
from stitch.imaging.placed_map import PlacedMap
from stitch.model.geometry import Window
from stitch.model.layout import Layout
from stitch.seams.colours import CellColours
from stitch.seams.lattice import Lattice, Part

LEAST_L, MOST_L = 3.0, 6.0  # that a speck has to stand out by, on even and on lively paint:
BASE_L, SPREAD_SHARE = 2.0, 0.3  # this, and a share of the range that the other scan shows there
MOST_COUNT, MOST_PER_CM2 = 4, 1.5  # places in an overlap: more of them are no dust
MOST_MM = 4.0  # across a speck
MOST_HAIR_MM = 25.0  # along a hair,
HAIR_CELLS = 4  # which is no wider than this many cells
AROUND_MM = 1.0  # kept away from a speck, so that the blend does not reach it
RANGE = ("darkest", "lightest")
BESIDE = np.ones((3, 3), np.uint8)
Mask = NDArray[np.bool_]
Plane = NDArray[np.float32]


def without_specks(
    lattice: Lattice,
    parts: Sequence[Part],
    colours: Sequence[CellColours],
    layout: Layout,
    placed: Mapping[str, PlacedMap],
) -> tuple[Part, ...]:
    """The parts without the cells that show a speck where another scan shows none."""
    cell_mm = mm_from_px(lattice.cell_px, layout.canvas_ppi)
    dirty = [_on_glass(lattice, part, placed[part.scan_id], layout) for part in parts]
    for i, part in enumerate(parts):
        for j in range(i):
            _mark_pair((part, colours[i], dirty[i]), (parts[j], colours[j], dirty[j]), cell_mm)
    reach = max(1, round(AROUND_MM / cell_mm))
    dirty = [_grown(mask, reach) for mask in dirty]
    clean = np.zeros((lattice.rows, lattice.columns), bool)
    for part, mask in zip(parts, dirty, strict=True):
        clean[part.place] |= part.is_valid & ~mask
    return tuple(
        replace(part, is_valid=part.is_valid & ~(mask & clean[part.place]))
        for part, mask in zip(parts, dirty, strict=True)
    )


def _mark_pair(first: tuple[Part, CellColours, Mask], second: tuple[Part, CellColours, Mask], cell_mm: float) -> None:
    """Mark the specks that one of two scans shows and the other does not."""
    shared = first[0].window.intersection(second[0].window)
    if shared.is_empty:
        return
    places = [shared.slices_in(one[0].window) for one in (first, second)]
    both = np.logical_and(*(one[0].is_valid[at] for one, at in zip((first, second), places, strict=True)))
    if not both.any():
        return
    low, high = ([getattr(one[1], name)[at] for one, at in zip((first, second), places, strict=True)] for name in RANGE)
    seen_by = [_outside(low[own], high[own], low[other], high[other]) & both for own, other in ((0, 1), (1, 0))]
    for own, other, (_, _, mask), at in zip((0, 1), (1, 0), (first, second), places, strict=True):
        seen = seen_by[own] & ~seen_by[other]
        mask[at] |= _specks(seen, cell_mm, MOST_COUNT + MOST_PER_CM2 * float(both.sum()) * cell_mm**2 / 100)


def _outside(low: Plane, high: Plane, other_low: Plane, other_high: Plane) -> Mask:
    """Where one scan is darker or lighter than anything the other shows in the cell and around it."""
    least, most = cv2.erode(other_low, BESIDE), cv2.dilate(other_high, BESIDE)
    margin = np.clip(BASE_L + SPREAD_SHARE * (most - least), LEAST_L, MOST_L)
    return np.asarray((low < least - margin) | (high > most + margin))


def _specks(seen: Mask, cell_mm: float, most_count: float) -> Mask:
    """The patches that are no larger than dirt is; none where there are more patches than dirt would leave."""
    count, patches, stats, _ = cv2.connectedComponentsWithStats(seen.astype(np.uint8), connectivity=8)
    keeps = np.zeros(count, bool)
    if count - 1 > most_count:
        return np.zeros(seen.shape, bool)
    for patch in range(1, count):
        width, height, area = (int(v) for v in stats[patch][2:5])
        longest = max(width, height) * cell_mm
        is_hair = longest <= MOST_HAIR_MM and area <= HAIR_CELLS * max(width, height)
        keeps[patch] = longest <= MOST_MM or is_hair
    return np.asarray(keeps[patches])


def _on_glass(lattice: Lattice, part: Part, placed: PlacedMap, layout: Layout) -> Mask:
    """The cells of a part that show what lies on the glass."""
    mask = np.zeros(part.is_valid.shape, np.uint8)
    scale = scale_of(placed.canvas_from_straight)
    discs = glass_discs_px(layout.glass, layout.canvas_ppi / scale)
    if len(discs):
        there = (placed.canvas_from_scan(discs[:, :2]) + 0.5) / lattice.cell_px - 0.5
        radius = discs[:, 2] * scale / lattice.cell_px + 0.5
        for (x, y), r in zip(there - _corner(part.window), radius, strict=True):
            cv2.circle(mask, (round(x), round(y)), max(1, round(r)), 1, -1)
    return mask > 0


def _corner(window: Window) -> NDArray[np.float64]:
    return np.array([window.x0_px, window.y0_px], dtype=np.float64)


def _grown(mask: Mask, cells: int) -> Mask:
    size = 2 * cells + 1
    return np.asarray(cv2.dilate(mask.astype(np.uint8), np.ones((size, size), np.uint8)) > 0)
