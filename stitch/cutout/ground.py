"""The ground of a picture: its colour as a slow field, how much it varies by itself, and where it lies outside.

Everything is in codes 0..1, as programs mix pictures. Two looks tell ground from motif: single pixels, which hold fine
lines but also the paper's tooth, and means of small cells, in which pale washes come out of it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.cutout.thin import FINE_PX, SOFT_PX, edge_sigma, peak_share, steepness
from stitch.imaging.cell_light import CellLight, field_at
from stitch.imaging.colour import Encoding, Float32Array
from stitch.imaging.slow_field import grown
from stitch.imaging.windows import bands
from stitch.model.geometry import Size, Window
from stitch.model.scans import PixelSource
from stitch.progress import SILENT, Progress

RING_MM = 3.0  # along the picture's border
RING_SHARE = 0.6  # of it that must be of one colour
NEAR = 0.08  # of the code range about that colour, to begin with
LEAST_OFF, MOST_OFF = 0.006, 0.025  # of a cell that is all ground
NOISE_QUANTILE = 99.7
PIXEL_MARGIN, CELL_MARGIN = 1.15, 1.6  # times what the ground itself shows
LEAST_FLOOR = 0.008
BAND_PX = 1_500_000
FAINT, FAINT_CELLS = 1.7, 12  # times the floor, and cells: no more than that is tooth
HOLE_CELLS = 3  # smaller places of the ground's colour inside the motif are its own

Mask = NDArray[np.bool_]


class NoGround(Exception):
    """The border shows no single ground."""


@dataclass(frozen=True, slots=True, eq=False)
class GroundTone:
    """The ground's codes at the centres of cells, (rows, columns, 3), 0..1."""

    codes: Float32Array
    bare: Mask
    cell_px: int

    def at(self, window: Window) -> Float32Array:
        """The ground's codes at every pixel of a window, (h, w, 3)."""
        return field_at(self.codes, self.cell_px, window)


@dataclass(frozen=True, slots=True, eq=False)
class GroundMap:
    """A picture in small cells. `colour` : codes (rows, columns, 3) of the pixel that differs most from the ground,
    averaged over those nearly as different; `off` : how much that is; `share` : of the motif's own colour that such a
    pixel shows, less than 1 in thin lines; `is_outside` : ground reached from the border, or from the named place;
    `floor` : what single pixels of the ground differ by at most."""

    colour: Float32Array
    off: NDArray[np.float32]
    share: NDArray[np.float32]
    is_ground: Mask
    is_outside: Mask
    cell_px: int
    size: Size
    floor: float


def find_ground(
    cells: CellLight, encoding: Encoding, cell_mm: float, *, named: tuple[int, int] | None = None
) -> GroundTone:
    """The ground's tone, from the border or from a named (row, column). Raises NoGround."""
    codes = encoding.encode(cells.light)
    ring = np.zeros(cells.rough.shape, bool)
    wide = max(1, round(RING_MM / cell_mm))
    ring[:wide], ring[-wide:], ring[:, :wide], ring[:, -wide:] = (True,) * 4
    colour = np.median(codes[ring], axis=0) if named is None else codes[named]
    near = np.abs(codes - colour).max(axis=2) < NEAR
    if named is None and near[ring].mean() < RING_SHARE:
        raise NoGround
    bare, field = grown(codes, near, np.ones_like(near), cell_mm, least=LEAST_OFF, most=MOST_OFF)
    if bare.sum() < 4:
        raise NoGround
    return GroundTone(field, bare, cells.cell_px)


def map_ground(source: PixelSource, ground: GroundTone, cell_px: int, *, progress: Progress = SILENT) -> GroundMap:
    """Look at every pixel once, in cells of `cell_px`; `is_outside` is still empty."""
    size = source.size
    rows_at_once = max(1, BAND_PX // (size.width_px * cell_px)) * cell_px
    parts: list[tuple[NDArray[np.float32], ...]] = []
    slopes: list[NDArray[np.float32]] = []
    with progress.task("Looking for the ground", size.megapixels) as task:
        for band in bands(size, rows_at_once):
            cells, steep = _cells(source, ground, band, cell_px)
            parts.append(cells)
            slopes.append(steep)
            task.advance(band.width_px * band.height_px / 1e6)
    colour, off, mean, softened = (np.concatenate([part[k] for part in parts]) for k in range(4))
    share = peak_share(softened, edge_sigma(np.concatenate(slopes)))
    calm = cv2.blur(mean, (3, 3))
    bare = _bare(ground, off.shape, cell_px)
    floor = max(LEAST_FLOOR, PIXEL_MARGIN * float(np.percentile(off[bare], NOISE_QUANTILE)))
    soft = max(LEAST_FLOOR / 2, CELL_MARGIN * float(np.percentile(calm[bare], NOISE_QUANTILE)))
    is_ground = (off < floor) & (calm < soft)
    return GroundMap(colour, off, share, is_ground, np.zeros_like(is_ground), cell_px, size, floor)


def reached(found: GroundMap, *, named: tuple[int, int] | None, opens_holes: bool) -> GroundMap:
    """With `is_outside`: all ground connected with the border or the named cell; with holes every larger place."""
    found = replace(found, is_ground=found.is_ground | _faint(found))
    count, regions, stats, _ = cv2.connectedComponentsWithStats(found.is_ground.astype(np.uint8), connectivity=4)
    if named is not None:
        seeds = {int(regions[named])}
    else:
        seeds = {int(k) for edge in (regions[0], regions[-1], regions[:, 0], regions[:, -1]) for k in np.unique(edge)}
    if opens_holes:
        seeds |= {k for k in range(1, count) if stats[k, cv2.CC_STAT_AREA] >= HOLE_CELLS}
    lookup = np.zeros(count, bool)
    lookup[[k for k in seeds if k > 0]] = True
    return replace(found, is_outside=lookup[regions])


def _faint(found: GroundMap) -> Mask:
    """Small places that hardly leave the ground's own range: the paper's tooth at its deepest."""
    other = (~found.is_ground).astype(np.uint8)
    count, places, stats, _ = cv2.connectedComponentsWithStats(other, connectivity=8)
    strongest = np.zeros(count, np.float32)
    np.maximum.at(strongest, np.asarray(places, np.intp).ravel(), found.off.ravel())
    is_faint = (stats[:, cv2.CC_STAT_AREA] <= FAINT_CELLS) & (strongest < FAINT * found.floor)
    is_faint[0] = False
    return np.asarray(is_faint[places])


def _cells(
    source: PixelSource, ground: GroundTone, band: Window, cell_px: int
) -> tuple[tuple[NDArray[np.float32], ...], NDArray[np.float32]]:
    """Colour, difference, mean difference and what a blur leaves of it in each cell of a band; slopes of its edges."""
    codes = source.read(band)
    picture = codes.astype(np.float32) * np.float32(1 / np.iinfo(codes.dtype).max)
    behind = ground.at(band)
    off, softer = (np.abs(cv2.GaussianBlur(picture, (0, 0), px) - behind).max(axis=2) for px in (FINE_PX, SOFT_PX))
    steep = steepness(off)
    height, width = off.shape
    pad = ((0, -height % cell_px), (0, -width % cell_px))
    off, softer = (np.pad(one, pad, "edge") for one in (off, softer))
    shape = off.shape[1] // cell_px, off.shape[0] // cell_px
    blocks = off.reshape(shape[1], cell_px, shape[0], cell_px)
    most = blocks.max(axis=(1, 3))
    strong = (off >= 0.9 * np.repeat(np.repeat(most, cell_px, 0), cell_px, 1)).astype(np.float32)
    weighed = np.pad(picture, (*pad, (0, 0)), "edge") * strong[..., None]
    share = cv2.resize(strong, shape, interpolation=cv2.INTER_AREA)
    colour = cv2.resize(weighed, shape, interpolation=cv2.INTER_AREA) / np.maximum(share, 1e-6)[..., None]
    difference = np.pad(picture - behind, (*pad, (0, 0)), "edge")
    mean = np.abs(cv2.resize(difference, shape, interpolation=cv2.INTER_AREA)).max(axis=2)
    softest = softer.reshape(blocks.shape).max(axis=(1, 3))
    made = colour, most, mean, softest / np.maximum(most, 1e-6)
    return tuple(np.asarray(one, np.float32) for one in made), steep


def _bare(ground: GroundTone, shape: tuple[int, ...], cell_px: int) -> Mask:
    """Small cells that lie well inside cells which are all ground."""
    inner = cv2.erode(ground.bare.astype(np.uint8), np.ones((3, 3), np.uint8))
    whole = inner if inner.any() else ground.bare.astype(np.uint8)
    rows, columns = (((np.arange(n) + 0.5) * cell_px / ground.cell_px).astype(int) for n in shape)
    return whole[rows.clip(0, whole.shape[0] - 1)][:, columns.clip(0, whole.shape[1] - 1)] > 0
