"""A small invented picture and scans of it with known placements, held in memory."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np

from stitch.imaging import affine
from stitch.imaging.colour import Encoding
from stitch.imaging.placed_map import PlacedMap, placed_maps
from stitch.imaging.resample import sample, source_window
from stitch.model.geometry import Size
from stitch.model.layout import Layout, Placement
from tests.bent import Pattern, correction, seen
from tests.held import HeldSource

SRGB = Encoding.of_profile(None)


@dataclass
class Pieces:
    """Scans, their layout, and the whole picture they come from (canvas px)."""

    sources: dict[str, HeldSource]
    layout: Layout
    whole: np.ndarray

    @property
    def sizes(self) -> dict[str, Size]:
        return {scan_id: source.size for scan_id, source in self.sources.items()}

    @property
    def maps(self) -> dict[str, PlacedMap]:
        return placed_maps(self.layout, self.sizes)

    @property
    def untoned(self) -> dict[str, None]:
        return dict.fromkeys(self.sources)

    @property
    def bits(self) -> int:
        return self.whole.dtype.itemsize * 8


def picture(
    seed: int, width: int, height: int, *, bits: int = 16, noise: float = 0.01, blob_px: int = 24
) -> np.ndarray:
    """Soft blobs of colour with fine strokes and grain, codes of `bits`, well away from black and white."""
    rng = np.random.default_rng(seed)
    coarse = rng.random((height // blob_px + 3, width // blob_px + 3, 3)).astype(np.float32)
    fine = rng.random((height // 4 + 3, width // 4 + 3, 1)).astype(np.float32)
    light = 0.3 + 0.35 * cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC)
    light += 0.08 * (cv2.resize(fine, (width, height), interpolation=cv2.INTER_CUBIC)[..., None] - 0.5)
    light += rng.normal(0.0, noise, light.shape).astype(np.float32) if noise else 0.0
    top = 2**bits - 1
    return np.rint(light.clip(0.02, 0.98) * top).astype(np.uint8 if bits == 8 else np.uint16)


def flat(value: float, width: int, height: int, *, bits: int = 16) -> np.ndarray:
    """One grey."""
    return np.full((height, width, 3), round(value * (2**bits - 1)), np.uint8 if bits == 8 else np.uint16)


def tiled(whole: np.ndarray, boxes: dict[str, tuple[int, int, int, int]], *, ppi: float = 300.0) -> Pieces:
    """Scans cut out of `whole` at whole-pixel boxes (x, y, width, height)."""
    sources, placements = {}, []
    for scan_id, (x, y, width, height) in boxes.items():
        sources[scan_id] = HeldSource(np.ascontiguousarray(whole[y : y + height, x : x + width]))
        placements.append(Placement(scan_id, ((1.0, 0.0, float(x)), (0.0, 1.0, float(y))), 0.0))
    return Pieces(sources, _layout(whole, placements, ppi, is_whole=True), whole)


def grid(whole: np.ndarray, columns: int, rows: int, overlap: int) -> dict[str, tuple[int, int, int, int]]:
    """Boxes of a grid of equal tiles that overlap."""
    height, width = whole.shape[:2]
    w = -(-(width + (columns - 1) * overlap) // columns)
    h = -(-(height + (rows - 1) * overlap) // rows)
    return {
        f"r{r}c{c}": (min(c * (w - overlap), width - w), min(r * (h - overlap), height - h), w, h)
        for r in range(rows)
        for c in range(columns)
    }


def scanned(
    whole: np.ndarray,
    boxes: dict[str, tuple[int, int, int, int]],
    *,
    seed: int = 0,
    turn_deg: float = 0.7,
    ppi: float = 300.0,
    scale: float = 1.0,
) -> Pieces:
    """Scans sampled from `whole` through small random turns and sub-pixel shifts, placed where they truly lie.

    `scale` is canvas px per scan px; boxes are in canvas px."""
    rng = np.random.default_rng(seed)
    sources, placements = {}, []
    size = Size(whole.shape[1], whole.shape[0])
    for scan_id, (x, y, width, height) in boxes.items():
        turn = math.radians(rng.uniform(-turn_deg, turn_deg))
        matrix = affine.rigid(turn, x + rng.uniform(-0.5, 0.5), y + rng.uniform(-0.5, 0.5), scale)
        there = Size(round(width / scale), round(height / scale)).window()
        scan_from_whole = affine.invert(matrix)
        needed = source_window(scan_from_whole, there, size)
        pixels = whole[needed.y0_px : needed.y1_px, needed.x0_px : needed.x1_px]
        sources[scan_id] = HeldSource(np.ascontiguousarray(sample(pixels, needed, scan_from_whole, there)))
        placements.append(Placement(scan_id, tuple(map(tuple, matrix.tolist())), 0.02))
    return Pieces(sources, _layout(whole, placements, ppi, is_whole=False), whole)


def bent(
    what: Pattern,
    boxes: dict[str, tuple[int, int, int, int]],
    *,
    canvas: tuple[int, int],
    straight: tuple[str, ...] = (),
    seed: int = 0,
    turn_deg: float = 0.7,
    largest_px: float = 4.0,
    ppi: float = 300.0,
) -> Pieces:
    """Scans of a pattern through small turns, shifts and local corrections; those in `straight` lie on whole pixels."""
    rng = np.random.default_rng(seed)
    sources, placements = {}, []
    for scan_id, (x, y, width, height) in boxes.items():
        size, field = Size(width, height), None
        matrix = np.array([[1.0, 0.0, float(x)], [0.0, 1.0, float(y)]])
        if scan_id not in straight:
            turn = math.radians(rng.uniform(-turn_deg, turn_deg))
            matrix = affine.rigid(turn, x + rng.uniform(-0.5, 0.5), y + rng.uniform(-0.5, 0.5))
            field = correction(int(rng.integers(1 << 30)), size, largest_px=largest_px)
        placement = Placement(scan_id, tuple(map(tuple, matrix.tolist())), 0.02, field)
        sources[scan_id] = HeldSource(seen(what, PlacedMap.of(placement, size)))
        placements.append(placement)
    whole = np.rint(what.on(*canvas) * 65535).astype(np.uint16)
    return Pieces(sources, _layout(whole, placements, ppi, is_whole=False), whole)


def uncorrected(pieces: Pieces) -> Pieces:
    """The same scans, placed as if nothing of theirs were bent."""
    placements = tuple(replace(placement, correction=None) for placement in pieces.layout.placements)
    return Pieces(pieces.sources, replace(pieces.layout, placements=placements), pieces.whole)


def toned(table_from: float, bits: int) -> np.ndarray:
    """A lookup table that multiplies linear light by `table_from`."""
    linear = SRGB.decode_table(bits) * np.float32(table_from)
    return SRGB.encode(linear)


def _layout(whole: np.ndarray, placements: list[Placement], ppi: float, *, is_whole: bool) -> Layout:
    return Layout(Size(whole.shape[1], whole.shape[0]), ppi, tuple(placements), (), is_whole, 0)
