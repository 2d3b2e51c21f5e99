"""What mending shows of itself: the pixels made new, the mask, and every speck at 100 % on one sheet."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import px_from_mm
from stitch.imaging.spots import Capsule, inside
from stitch.model.dust import DustSpot, Verdict
from stitch.model.geometry import Window
from stitch.pipeline.derived import Original
from stitch.report.contact import Tile, contact_sheet
from stitch.report.preview import eight_bit

SOFT_MM = 0.15  # mended around a speck, and a px more
TILE_PX = 96
MOST_TILES = 600
MASK_CODES = {Verdict.MEND: 255, Verdict.ASK: 128}


@dataclass(frozen=True, slots=True, eq=False)
class Patch:
    """A speck's window, which px of it are made new, and their codes (n, 3)."""

    window: Window
    speck: NDArray[np.bool_]
    codes: NDArray[Any]
    is_from_scan: bool


def soft_px(ppi: float) -> float:
    """What is mended around a speck."""
    return 1 + px_from_mm(SOFT_MM, ppi)


def place_of(spot: DustSpot, ppi: float) -> Capsule:
    """A line of the list in px of the picture."""
    x, y, length, width = (px_from_mm(mm, ppi) for mm in (spot.x_mm, spot.y_mm, spot.length_mm, spot.size_mm))
    return Capsule(x - 0.5, y - 0.5, length, width, spot.angle_deg)


def mask_of(place: Capsule, window: Window, more_px: float) -> NDArray[np.bool_]:
    """The pixels of a window in a place and around it."""
    x = np.arange(window.x0_px, window.x1_px)[None, :]
    y = np.arange(window.y0_px, window.y1_px)[:, None]
    return inside(place, x, y, more_px)


def patched(codes: NDArray[Any], band: Window, patches: Sequence[Patch]) -> NDArray[Any]:
    """Codes of a window with what was mended in it."""
    made = codes.copy()
    for patch in patches:
        shared = patch.window.intersection(band)
        if shared.is_empty:
            continue
        whole = np.zeros((*patch.speck.shape, 3), codes.dtype)
        whole[patch.speck] = patch.codes
        there = patch.speck[shared.slices_in(patch.window)]
        made[shared.slices_in(band)][there] = whole[shared.slices_in(patch.window)][there]
    return made


def mask_rows(spots: Sequence[DustSpot], band: Window, ppi: float) -> NDArray[np.uint8]:
    """Rows of the mask: white where is mended, grey where is asked."""
    rows = np.zeros((band.height_px, band.width_px), np.uint8)
    soft = soft_px(ppi)
    for spot in spots:
        place = place_of(spot, ppi)
        grown = int(np.ceil((place.length + place.width) / 2 + soft)) + 1
        window = Window(round(place.x), round(place.y), 1, 1).grown(grown).intersection(band)
        if not window.is_empty and spot.verdict in MASK_CODES:
            part = rows[window.slices_in(band)]
            np.maximum(part, MASK_CODES[spot.verdict] * mask_of(place, window, soft).astype(np.uint8), out=part)
    return rows


def sheet_of(original: Original, spots: Sequence[DustSpot], patches: Sequence[Patch]) -> NDArray[np.uint8]:
    """Every speck at 100 %, those that ask first; mended ones beside what they became."""
    order = sorted(spots, key=lambda one: ((Verdict.ASK, Verdict.MEND, Verdict.KEEP).index(one.verdict), one.number))
    tiles = list(_tiles(original, order[:MOST_TILES], patches))
    more = f"; {len(order) - MOST_TILES} more are only in the list" if len(order) > MOST_TILES else ""
    heading = f"{original.path.name}: specks as they are, and mended ones as they became, at 100 %{more}"
    return contact_sheet(heading, tiles, TILE_PX)


def _tiles(original: Original, spots: Sequence[DustSpot], patches: Sequence[Patch]) -> Iterator[Tile]:
    half = TILE_PX // 2
    for spot in spots:
        place = place_of(spot, original.ppi)
        square = Window(round(place.x) - half, round(place.y) - half, TILE_PX, TILE_PX)
        window = square.clipped(original.size)
        if window.is_empty:
            continue
        codes = original.source.read(window)
        shown = [codes, patched(codes, window, patches)] if spot.verdict is Verdict.MEND else [codes]
        pictures = []
        for one in shown:
            tile = np.full((TILE_PX, TILE_PX, 3), 128, np.uint8)
            tile[window.slices_in(square)] = eight_bit(one)
            pictures.append(tile)
        yield Tile(f"{spot.number} {spot.verdict.value}: {spot.proof.value}", tuple(pictures))
