"""Shifts measured on full-resolution patches in the overlap of two scans, around a predicted placement."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import FloatArray, apply, corners, invert, scale_of
from stitch.imaging.resample import coverage, source_window
from stitch.model.geometry import Window
from stitch.model.scans import PixelSource
from stitch.register import subpixel
from stitch.register.evidence import REACH_PX, as_float, evidence, resampled
from stitch.register.subpixel import MARGIN_PX

PATCH_SIZES_PX = (96, 64, 48, 32)
COARSE_SEARCH_PX = 14
FINE_SEARCH_PX = 4
PATCHES_PER_PAIR = 260
MAX_ROWS = 26
FLOOR_PX = 0.02  # no single patch is believed better than this
MIN_NCC = 0.5
SAME_SCALE = 0.95  # below it the second scan is the coarser one
STRUCTURE_BLUR_PX = 2.0
STRUCTURE_SHARE = 0.65  # of a patch's deviation that is left after the blur
MIN_COMPARABLE = 12
HELD_OUT_EVERY = 4
HELD_OUT_BLOCK = 2


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """Corresponding points of two scans, from n patches that could be measured."""

    scan_a: str
    scan_b: str
    points_a: FloatArray  # (n, 2) scan px
    points_b: FloatArray  # (n, 2)
    covariance_px2: FloatArray  # (n, 2, 2) of points_b − truth, in a's px
    is_held_out: NDArray[np.bool_]  # kept from the solve, to judge it
    offered_count: int  # patches placed in the overlap
    textured_count: int  # of these, with paint to compare in both scans
    contrary_count: int  # of the textured ones, those that show different things

    @property
    def count(self) -> int:
        """Patches measured."""
        return len(self.points_a)

    @property
    def contrary_share(self) -> float:
        """Share of the textured patches that show different things; 0 when there are too few to say."""
        return self.contrary_count / self.textured_count if self.textured_count >= MIN_COMPARABLE else 0.0


@dataclass(frozen=True, slots=True)
class PairTask:
    """One pair to measure: a predicted map and how far it may be off."""

    scan_a: str
    scan_b: str
    b_from_a: tuple[tuple[float, float, float], tuple[float, float, float]]
    turn_deg: int
    search_px: int


@dataclass(frozen=True, slots=True, eq=False)
class _Row:
    window: Window  # of scan a
    centres: FloatArray  # (n, 2) scan a px
    held_out: NDArray[np.bool_]


def measure(source_a: PixelSource, source_b: PixelSource, task: PairTask) -> Measured:
    """Measure one pair. Reads both scans by windows, one row of patches at a time, on the grid of the coarser scan."""
    b_from_a = np.array(task.b_from_a)
    if scale_of(b_from_a) < SAME_SCALE:
        return _swapped(measure(source_b, source_a, _swapped_task(task, b_from_a)), scale_of(b_from_a))
    size_px, rows = _plan(source_a, source_b, b_from_a, task.search_px)
    kept: list[tuple[FloatArray, ...]] = []
    offered = textured = contrary = 0
    for row in rows:
        offered += len(row.centres)
        found, has_paint, is_good = _measure_row(source_a, source_b, b_from_a, task, size_px, row)
        textured += int(has_paint.sum())
        contrary += int((has_paint & ~is_good).sum())
        kept.append(found)
    parts = [np.concatenate([k[i] for k in kept]) if kept else _EMPTY[i] for i in range(4)]
    is_held_out = parts[3].astype(bool)
    return Measured(task.scan_a, task.scan_b, parts[0], parts[1], parts[2], is_held_out, offered, textured, contrary)


def _swapped_task(task: PairTask, b_from_a: FloatArray) -> PairTask:
    (a, b, c), (d, e, f) = invert(b_from_a).tolist()
    return PairTask(task.scan_b, task.scan_a, ((a, b, c), (d, e, f)), -task.turn_deg % 360, task.search_px)


def _swapped(measured: Measured, scale: float) -> Measured:
    """The same points seen from the other scan, whose px is `scale` px of this one."""
    return replace(
        measured,
        scan_a=measured.scan_b,
        scan_b=measured.scan_a,
        points_a=measured.points_b,
        points_b=measured.points_a,
        covariance_px2=measured.covariance_px2 / scale**2,
    )


_EMPTY = (np.zeros((0, 2)), np.zeros((0, 2)), np.zeros((0, 2, 2)), np.zeros(0))


def _plan(source_a: PixelSource, source_b: PixelSource, b_from_a: FloatArray, search_px: int) -> tuple[int, list[_Row]]:
    for size_px in PATCH_SIZES_PX:
        rows = list(_rows(source_a, source_b, b_from_a, size_px, size_px // 2 + search_px + MARGIN_PX + 2))
        if sum(len(row.centres) for row in rows) >= 30 or size_px == PATCH_SIZES_PX[-1]:
            break
    return size_px, rows


def _rows(
    source_a: PixelSource, source_b: PixelSource, b_from_a: FloatArray, size_px: int, inset_px: int
) -> Iterator[_Row]:
    ends = apply(invert(b_from_a), corners(source_b.size.width_px, source_b.size.height_px))
    x0, y0 = np.ceil(ends.min(axis=0)).astype(int)
    x1, y1 = np.floor(ends.max(axis=0)).astype(int)
    box = Window(int(x0), int(y0), int(x1 - x0), int(y1 - y0)).clipped(source_a.size)
    box = box.grown(-inset_px)
    if box.is_empty:
        return
    pitch = max(size_px * 0.75, (box.width_px * box.height_px / PATCHES_PER_PAIR) ** 0.5)
    row_count = int(np.clip(round(box.height_px / pitch), 1, MAX_ROWS))
    column_count = max(1, min(round(box.width_px / pitch), PATCHES_PER_PAIR // row_count + 1))
    ys, xs = _spread(box.y0_px, box.height_px, row_count), _spread(box.x0_px, box.width_px, column_count)
    limit = np.array([source_b.size.width_px, source_b.size.height_px]) - 1 - inset_px
    for j, y in enumerate(ys):
        centres = np.column_stack([xs, np.full(len(xs), y)]).astype(np.float64)
        held = (np.arange(len(xs)) // HELD_OUT_BLOCK + 2 * (j // HELD_OUT_BLOCK)) % HELD_OUT_EVERY == 0
        there = apply(b_from_a, centres)
        inside = (there >= inset_px).all(axis=1) & (there <= limit).all(axis=1)
        if inside.any():
            centres, held = centres[inside], held[inside]
            reach = size_px // 2 + REACH_PX
            window = Window(
                int(centres[0, 0]) - reach, int(y) - reach, int(centres[-1, 0] - centres[0, 0]) + 2 * reach, 2 * reach
            )
            yield _Row(window.clipped(source_a.size), centres, held)


def _spread(start: int, length: int, count: int) -> NDArray[np.intp]:
    """Centres of `count` equal parts, as whole pixels."""
    return np.floor(start + (np.arange(count) + 0.5) * length / count).astype(np.intp)


def _measure_row(
    source_a: PixelSource,
    source_b: PixelSource,
    b_from_a: FloatArray,
    task: PairTask,
    size_px: int,
    row: _Row,
) -> tuple[tuple[FloatArray, ...], NDArray[np.bool_], NDArray[np.bool_]]:
    """What could be measured (points of a and b, covariances, held out); of all patches: has paint, was measured."""
    reach = size_px // 2 + REACH_PX + task.search_px + MARGIN_PX
    low, high = row.centres.min(axis=0).astype(int) - reach, row.centres.max(axis=0).astype(int) + reach
    window = Window(int(low[0]), int(low[1]), int(high[0] - low[0]), int(high[1] - low[1]))
    inside_a = window.clipped(source_a.size)
    signal_a = evidence(as_float(source_a.read(inside_a)), task.turn_deg)
    a_from_b = invert(b_from_a)
    finer = 1 / scale_of(a_from_b)  # px of b for one px of a, 1 or more
    part_b = source_window(a_from_b, inside_a, source_b.size).grown(round(REACH_PX * finer)).clipped(source_b.size)
    raw_b = evidence(as_float(source_b.read(part_b)), task.turn_deg, finer)
    signal_b = resampled(raw_b, part_b, a_from_b, inside_a)
    covered = coverage(source_b.size, a_from_b, inside_a)
    stacks = _stacks(signal_a, signal_b, covered, row, inside_a, size_px, task.search_px)
    centres, held, patches_a, patches_b, whole = stacks
    if not len(centres):
        return _EMPTY, np.zeros(0, bool), np.zeros(0, bool)
    inner = patches_b[:, MARGIN_PX:-MARGIN_PX, MARGIN_PX:-MARGIN_PX]
    has_paint = _has_structure(patches_a) & _has_structure(inner)
    shifts = subpixel.estimate(patches_a, patches_b)
    shift = whole + shifts.shift_px
    good = (shifts.ncc > MIN_NCC) & (np.abs(shifts.shift_px) < 1.6).all(axis=1)
    good &= np.abs(whole).max(axis=1) < task.search_px
    covariance = shifts.covariance_px2 + np.eye(2) * FLOOR_PX**2
    points_b = apply(b_from_a, centres + shift)
    return (centres[good], points_b[good], covariance[good], held[good].astype(float)), has_paint, good


def _has_structure(patches: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Whether patches (n, h, w) hold more paint than noise: the blur takes two thirds of noise's deviation away."""
    blurred = np.stack([cv2.GaussianBlur(patch, (0, 0), STRUCTURE_BLUR_PX) for patch in patches])
    return np.asarray(blurred.std(axis=(1, 2)) > STRUCTURE_SHARE * patches.std(axis=(1, 2)))


def _stacks(
    a: NDArray[np.float32],
    b: NDArray[np.float32],
    covered: NDArray[np.bool_],
    row: _Row,
    window: Window,
    size_px: int,
    search_px: int,
) -> tuple[FloatArray, NDArray[np.bool_], NDArray[np.float32], NDArray[np.float32], FloatArray]:
    half = size_px // 2
    centres, held, patches_a, patches_b, whole = [], [], [], [], []
    outer = half + search_px + MARGIN_PX
    for centre, is_held in zip(row.centres.astype(int), row.held_out, strict=True):
        x, y = int(centre[0]) - window.x0_px, int(centre[1]) - window.y0_px
        if min(x, y) < outer or x + outer > a.shape[1] or y + outer > a.shape[0]:
            continue
        if not covered[y - outer : y + outer, x - outer : x + outer].all():
            continue
        patch = a[y - half : y + half, x - half : x + half]
        area = b[y - half - search_px : y + half + search_px, x - half - search_px : x + half + search_px]
        if patch.std() < 1e-5 or area.std() < 1e-5:
            continue
        likeness = cv2.matchTemplate(area, patch, cv2.TM_CCOEFF_NORMED)
        _, _, _, place = cv2.minMaxLoc(likeness)
        dx, dy = place[0] - search_px, place[1] - search_px
        reach = half + MARGIN_PX
        centres.append(centre)
        held.append(is_held)
        patches_a.append(patch)
        patches_b.append(b[y + dy - reach : y + dy + reach, x + dx - reach : x + dx + reach])
        whole.append((dx, dy))
    if not centres:
        none = np.zeros((0, size_px, size_px), np.float32)
        return _EMPTY[0], np.zeros(0, bool), none, none, _EMPTY[0]
    # a patch pixel (i, j) is centred half a pixel beyond the patch's own centre: both scans share that offset
    return (
        np.array(centres, dtype=np.float64),
        np.array(held),
        np.stack(patches_a),
        np.stack(patches_b),
        np.array(whole, dtype=np.float64),
    )
