"""Shifts measured on full-resolution patches in the overlap of two scans, around a predicted placement."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import FloatArray, compose, scale_of
from stitch.imaging.colour import Encoding
from stitch.imaging.placed_map import PlacedMap, everywhere
from stitch.model.geometry import Window
from stitch.model.scans import PixelSource
from stitch.register import subpixel
from stitch.register.drawn import fine_lines_of, fine_tooth_of, log_grey
from stitch.register.evidence import (
    REACH_PX,
    Mask,
    Signal,
    as_float,
    band_pass,
    blurred,
    channels,
    confidence,
    resampled,
)
from stitch.register.plan import Grain, Group, b_from_a, plan
from stitch.register.subpixel import MARGIN_PX

FLOOR_PX = 0.02  # no single patch is believed better than this
MIN_NCC = 0.5
MIN_NCC_TURNED = 0.6  # of colour: what correlates less is chance
MIN_NCC_BY_SIGNAL = {Signal.DRAWN_LINES: 0.85, Signal.INVERTED_TOOTH: 0.75}
FLOOR_LINES_PX = 0.06  # what tooth moves drawn lines by in turned scans, however many of them there are
FEWEST_IN_COLOUR = 6
COLOUR_SPEAKS_SHARE = 0.06  # of the patches; below it turned scans are compared in their drawn lines
LINES_REACH_PX = 3  # px beside a line that count
SAME_SCALE = 0.95  # below it the second scan is the coarser one
FINER = 1.05  # above it the second scan is low-passed before it is read on the grid of the first
STRUCTURE_BLUR_PX = 2.0
STRUCTURE_SHARE = 0.65  # of a patch's deviation that is left after the blur
MIN_COMPARABLE = 12
RIM_PX = 6  # along scan b's border, where the interpolation would look beyond it
HELD_OUT_EVERY = 4
HELD_OUT_BLOCK = 2
RIM_SHARE = 0.4
LEAST_CLEAN = 0.6  # share of a patch that is not dirt on the glass
PEAK_PX = 2  # around the best shift, where likeness belongs to the same peak
AMBIGUOUS = 0.9  # of the best likeness: with another peak this high the patch may have locked on to the wrong one
MOST_SHIFT_PX = 1.6  # of the fine search: further off the gradients lead nowhere

FloatPicture = NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """Corresponding points of two scans, from n patches that could be measured."""

    scan_a: str
    scan_b: str
    points_a: FloatArray  # (n, 2) scan px
    points_b: FloatArray  # (n, 2)
    covariance_px2: FloatArray  # (n, 2, 2) of points_b − truth, in a's px
    is_held_out: NDArray[np.bool_]  # kept from the solve that is judged by them
    is_beside: NDArray[np.bool_]  # overlaps one held out, and is kept from that solve, too
    is_at_rim: NDArray[np.bool_]  # reaches over the border of what both scans show by more than RIM_SHARE of it
    offered_count: int  # patches placed in the overlap
    textured_count: int  # of these, with paint to compare in both scans
    contrary_count: int  # of the textured ones, those that show different things
    signal: Signal = Signal.PAINT  # what they were compared in

    @property
    def count(self) -> int:
        """Patches measured."""
        return len(self.points_a)

    @property
    def contrary_share(self) -> float:
        """Share of the textured patches that show different things; 0 when there are too few to say."""
        return self.contrary_count / self.textured_count if self.textured_count >= MIN_COMPARABLE else 0.0

    def only(self, chosen: NDArray[np.bool_]) -> Measured:
        """Some of the patches; the counts stay."""
        return replace(
            self,
            points_a=self.points_a[chosen],
            points_b=self.points_b[chosen],
            covariance_px2=self.covariance_px2[chosen],
            is_held_out=self.is_held_out[chosen],
            is_beside=self.is_beside[chosen],
            is_at_rim=self.is_at_rim[chosen],
        )


@dataclass(frozen=True, slots=True, eq=False)
class Side:
    """One scan of a pair: its pixels, where it is thought to lie, and what of it is dirt on the glass."""

    scan_id: str
    source: PixelSource
    placed: PlacedMap
    spots_px: FloatArray  # (n, 3): x, y and radius, scan px
    encoding: Encoding = field(default_factory=lambda: Encoding.of_profile(None))  # how its codes write down light


@dataclass(frozen=True, slots=True, eq=False)
class _Views:
    """The same group of patches as both scans show it, on the grid of scan a."""

    window: Window  # of scan a; reaches beyond it where patches do
    a: tuple[FloatPicture, ...]  # a picture for each channel
    b: tuple[FloatPicture, ...]
    seen: FloatPicture  # 1 where both scans show anything
    mask: FloatPicture  # the same without the dirt on the glass
    weight: FloatPicture  # 0..1, how much each pixel is worth


@dataclass(frozen=True, slots=True)
class _Look:
    """What is compared: how far the two scans are turned to each other, and which signal they can share."""

    turn_deg: int
    encoding: Encoding
    signal: Signal = Signal.PAINT

    @property
    def least_ncc(self) -> float:
        return MIN_NCC_BY_SIGNAL.get(self.signal, MIN_NCC_TURNED if self.turn_deg else MIN_NCC)

    @property
    def floor_px(self) -> float:
        return FLOOR_LINES_PX if self.signal is Signal.DRAWN_LINES else FLOOR_PX

    def channels(self, rgb: FloatPicture, tooth: float) -> tuple[FloatPicture, ...]:
        """What is compared of encoded RGB (h, w, 3), before the band-pass."""
        if self.signal is Signal.PAINT:
            return channels(rgb, self.turn_deg, self.encoding)
        grey = log_grey(rgb)
        return (fine_lines_of(grey, tooth) if self.signal is Signal.DRAWN_LINES else grey,)


def measure(a: Side, b: Side, turn_deg: int, grain: Grain) -> Measured:
    """Measure one pair. Reads both scans by windows, a group of patches at a time, on the grid of the coarser scan.

    Turned scans that share too little colour are measured in their drawn lines, and turned by 180° in the tooth of
    their blank paper, too, which reads inverted.
    """
    scale = _scale_between(a, b)
    if scale < SAME_SCALE:
        return _swapped(measure(b, a, -turn_deg % 360, grain), scale)
    groups = plan(a.placed, b.placed, grain)
    in_paint = _measured(a, b, _Look(turn_deg, a.encoding), grain, groups)
    if turn_deg == 0 or in_paint.count >= max(FEWEST_IN_COLOUR, COLOUR_SPEAKS_SHARE * in_paint.offered_count):
        return in_paint
    in_lines = _measured(a, b, _Look(turn_deg, a.encoding, Signal.DRAWN_LINES), grain, groups)
    if turn_deg == 180:
        in_lines = _with(in_lines, _measured(a, b, _Look(turn_deg, a.encoding, Signal.INVERTED_TOOTH), grain, groups))
    return replace(in_lines, signal=Signal.DRAWN_LINES) if in_lines.count > in_paint.count else in_paint


def _with(one: Measured, other: Measured) -> Measured:
    """The points of both, the counts of the first."""

    def both(p: NDArray[Any], q: NDArray[Any]) -> NDArray[Any]:
        return np.concatenate([p, q])

    return replace(
        one,
        points_a=both(one.points_a, other.points_a),
        points_b=both(one.points_b, other.points_b),
        covariance_px2=both(one.covariance_px2, other.covariance_px2),
        is_held_out=both(one.is_held_out, other.is_held_out),
        is_beside=both(one.is_beside, other.is_beside),
        is_at_rim=both(one.is_at_rim, other.is_at_rim),
    )


def _measured(a: Side, b: Side, look: _Look, grain: Grain, groups: Sequence[Group]) -> Measured:
    found = [_measure_group(a, b, look, grain, group) for group in groups]
    if not found:
        return Measured(a.scan_id, b.scan_id, *_NOTHING.arrays, *_NOTHING.apart, 0, 0, 0)
    points_a, points_b, covariance = (np.concatenate([f.arrays[k] for f in found]) for k in range(3))
    held, beside, rim = (np.concatenate([f.apart[k] for f in found]) for k in range(3))
    offered, textured, contrary = (sum(f.counts[k] for f in found) for k in range(3))
    arrays = points_a, points_b, covariance, held, beside, rim
    return Measured(a.scan_id, b.scan_id, *arrays, offered, textured, contrary)


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    arrays: tuple[FloatArray, FloatArray, FloatArray]  # points of a and b, covariances
    apart: tuple[NDArray[np.bool_], NDArray[np.bool_], NDArray[np.bool_]]  # held out, beside one held out, at the rim
    counts: tuple[int, int, int]  # offered, textured, contrary


_NOTHING = _Found((np.zeros((0, 2)), np.zeros((0, 2)), np.zeros((0, 2, 2))), (np.zeros(0, bool),) * 3, (0, 0, 0))


def _scale_between(a: Side, b: Side) -> float:
    """Px of scan b for one px of scan a."""
    return scale_of(compose(b.placed.straight_from_canvas, a.placed.canvas_from_straight))


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


def _measure_group(a: Side, b: Side, look: _Look, grain: Grain, group: Group) -> _Found:
    views = _views(a, b, look, grain.search_px, group)
    stacks = _stacks(views, group, grain)
    if not len(stacks.chosen):
        return replace(_NOTHING, counts=(len(group.centres), 0, 0))
    inner = stacks.b[..., MARGIN_PX:-MARGIN_PX, MARGIN_PX:-MARGIN_PX]
    is_whole = (stacks.weight > 0).mean(axis=(1, 2)) > LEAST_CLEAN
    has_paint = is_whole & _has_structure(stacks.a) & _has_structure(inner)
    weight = _on_lines(stacks.a, inner, stacks.weight) if look.signal is Signal.DRAWN_LINES else stacks.weight
    shifts = subpixel.estimate(stacks.a, stacks.b, weight)
    good = (shifts.ncc > look.least_ncc) & (np.abs(shifts.shift_px) < MOST_SHIFT_PX).all(axis=1)
    if grain.search_px:
        good &= np.abs(stacks.whole_px).max(axis=1) < grain.search_px
    centres = group.centres[stacks.chosen] - 0.5 + shifts.centre_px
    points_b = b_from_a(a.placed, b.placed, centres + stacks.whole_px + shifts.shift_px)
    covariance = shifts.covariance_px2 + np.eye(2) * look.floor_px**2
    held, beside = _apart(group.row[stacks.chosen][good], group.column[stacks.chosen][good], grain)
    arrays = (centres[good], points_b[good], covariance[good])
    rim = stacks.seen[good] < 1 - RIM_SHARE
    return _Found(
        arrays, (held, beside, rim), (len(group.centres), int(has_paint.sum()), int((has_paint & ~good).sum()))
    )


def _apart(
    row: NDArray[np.intp], column: NDArray[np.intp], grain: Grain
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which patches are held out, and which of the others overlap one: patches that overlap share their noise."""
    is_dense = grain.step_px is not None
    held = _is_held_out(row, column, is_dense=is_dense)
    beside = np.zeros(len(row), bool)
    across, along = ((grain.size_px - 1) // step for step in grain.step_px) if grain.step_px else (0, 0)
    for j in range(-along, along + 1):
        for i in range(-across, across + 1):
            beside |= _is_held_out(row + j, column + i, is_dense=is_dense)
    return held, beside & ~held


def _is_held_out(row: NDArray[np.intp], column: NDArray[np.intp], *, is_dense: bool) -> NDArray[np.bool_]:
    """Of a sparse plan blocks of neighbours, one in four; of a dense one single patches, far from each other."""
    if is_dense:
        return np.asarray((column % HELD_OUT_EVERY == 0) & ((row + column // 2) % HELD_OUT_EVERY == 0))
    return np.asarray((column // HELD_OUT_BLOCK + 2 * (row // HELD_OUT_BLOCK)) % HELD_OUT_EVERY == 0)


def _on_lines(a: FloatPicture, b: FloatPicture, weight: FloatPicture) -> FloatPicture:
    """The weight (n, h, w) on drawn lines and beside them: where neither scan shows any there is nothing that fits."""
    size = 2 * LINES_REACH_PX + 1
    shown = (np.maximum(np.abs(a), np.abs(b)).max(axis=1) > 1e-4).astype(np.float32)
    near = np.stack([cv2.dilate(one, np.ones((size, size), np.uint8)) for one in shown])
    return np.asarray(weight * near, np.float32)


def _views(a: Side, b: Side, look: _Look, search_px: int, group: Group) -> _Views:
    reach = group.size_px // 2 + search_px + MARGIN_PX
    low, high = group.centres.min(axis=0).astype(int) - reach, group.centres.max(axis=0).astype(int) + reach
    window = Window(int(low[0]), int(low[1]), int(high[0] - low[0]), int(high[1] - low[1]))
    read = _on_even(window.grown(REACH_PX)).clipped(a.source.size)
    rgb_a = as_float(a.source.read(read))
    tooth = fine_tooth_of(log_grey(rgb_a)) if look.signal is Signal.DRAWN_LINES else 0.0
    signals_a = look.channels(rgb_a, tooth)
    step_px = min(a.placed.field_step_px, b.placed.field_step_px)
    x, y = everywhere(lambda points: b_from_a(a.placed, b.placed, points), read, step_px)
    size_b = b.source.size
    seen = (x >= RIM_PX) & (y >= RIM_PX) & (x <= size_b.width_px - 1 - RIM_PX) & (y <= size_b.height_px - 1 - RIM_PX)
    mask = seen.astype(np.float32)
    both = mask.copy()
    _blot(mask, a.spots_px, read)
    if len(b.spots_px):
        there = b_from_a(b.placed, a.placed, b.spots_px[:, :2])
        _blot(mask, np.column_stack([there, b.spots_px[:, 2] / _scale_between(a, b)]), read)
    signals_b = _read_at(b, x, y, look, _scale_between(a, b), tooth)
    if look.signal is Signal.INVERTED_TOOTH:
        signals_b = tuple(-signal for signal in signals_b)
    weight = mask * confidence(rgb_a, look.turn_deg) if look.signal is Signal.PAINT else mask
    counts = Mask(weight)
    bands_a, bands_b = (
        tuple(_on_window(band_pass(signal, look.turn_deg, counts, look.signal), read, window) for signal in signals)
        for signals in (signals_a, signals_b)
    )
    return _Views(window, bands_a, bands_b, *(_on_window(picture, read, window) for picture in (both, mask, weight)))


def _on_even(window: Window) -> Window:
    """A window from even pixels on, so that filters at half the size see the same whatever is read together."""
    left, above = window.x0_px % 2, window.y0_px % 2
    return Window(window.x0_px - left, window.y0_px - above, window.width_px + left, window.height_px + above)


def _read_at(
    b: Side, x: FloatArray, y: FloatArray, look: _Look, finer: float, tooth: float
) -> tuple[FloatPicture, ...]:
    """The channels of scan b at its px (h, w), low-passed first where its px are finer than the grid asked for."""
    reach = 8 + (math.ceil(3 * finer) if finer > FINER else 0)
    x0, y0 = math.floor(x.min()) - reach, math.floor(y.min()) - reach
    part = Window(x0, y0, math.ceil(x.max()) + reach + 1 - x0, math.ceil(y.max()) + reach + 1 - y0)
    part = part.clipped(b.source.size)
    if part.is_empty:
        return look.channels(np.ones((*x.shape, 3), np.float32), tooth)
    signals = look.channels(as_float(b.source.read(part)), tooth)
    if finer > FINER:
        signals = tuple(blurred(signal, 0.5 * finer) for signal in signals)
    return tuple(resampled(signal, part, x, y) for signal in signals)


def _blot(mask: FloatPicture, spots_px: FloatArray, window: Window) -> None:
    """Take circles out of a mask that holds `window`."""
    for x, y, radius in spots_px:
        centre = (round(float(x)) - window.x0_px, round(float(y)) - window.y0_px)
        if -50 < centre[0] < window.width_px + 50 and -50 < centre[1] < window.height_px + 50:
            cv2.circle(mask, centre, math.ceil(radius), 0.0, -1)


def _on_window(picture: FloatPicture, held: Window, window: Window) -> FloatPicture:
    """The part of a picture of `held` that lies in `window`, zeros around it where it reaches beyond."""
    if held.intersection(window) == window:
        return np.ascontiguousarray(picture[window.slices_in(held)])
    out = np.zeros((window.height_px, window.width_px), np.float32)
    common = held.intersection(window)
    out[common.slices_in(window)] = picture[common.slices_in(held)]
    return out


def _has_structure(patches: FloatPicture) -> NDArray[np.bool_]:
    """Whether patches (n, channels, h, w) hold more paint than noise in any channel.

    The blur takes two thirds of noise's deviation away.
    """
    soft = np.stack([[cv2.GaussianBlur(one, (0, 0), STRUCTURE_BLUR_PX) for one in patch] for patch in patches])
    return np.asarray((soft.std(axis=(2, 3)) > STRUCTURE_SHARE * patches.std(axis=(2, 3))).any(axis=1))


@dataclass(frozen=True, slots=True, eq=False)
class _Stacks:
    chosen: NDArray[np.intp]  # index into the group's patches
    a: FloatPicture  # (n, channels, size, size)
    b: FloatPicture  # (n, channels, size + 2 MARGIN_PX, …), moved by whole_px
    weight: FloatPicture  # (n, size, size)
    whole_px: FloatArray  # (n, 2)
    seen: FloatArray  # (n,) share of each patch that both scans show


def _stacks(views: _Views, group: Group, grain: Grain) -> _Stacks:
    half, search = group.size_px // 2, grain.search_px
    chosen, patches_a, patches_b, weights, whole, seen = [], [], [], [], [], []
    for index, centre in enumerate(group.centres.astype(int)):
        x, y = int(centre[0]) - views.window.x0_px, int(centre[1]) - views.window.y0_px
        weight = _square(views.mask, x, y, half)
        outer = half + search + MARGIN_PX
        is_whole = bool(_square(views.seen, x, y, outer).all())
        if weight.mean() < (LEAST_CLEAN if is_whole else grain.least_seen):
            continue
        patch = _squares(views.a, x, y, half)
        if patch.std() < 1e-5:
            continue
        shift = _best_shift(patch, weight, _squares(views.b, x, y, half + search), search) if search else (0, 0)
        if shift is None:
            continue
        dx, dy = shift
        chosen.append(index)
        patches_a.append(patch)
        patches_b.append(_squares(views.b, x + dx, y + dy, half + MARGIN_PX))
        weights.append(_square(views.weight, x, y, half))
        whole.append((dx, dy))
        seen.append(_square(views.seen, x, y, half).mean())
    if not chosen:
        none = np.zeros((0, 1, group.size_px, group.size_px), np.float32)
        return _Stacks(np.zeros(0, np.intp), none, none, none[:, 0], np.zeros((0, 2)), np.zeros(0))
    a, b, weight = (np.stack(patches) for patches in (patches_a, patches_b, weights))
    return _Stacks(np.array(chosen), a, b, weight, np.array(whole, dtype=np.float64), np.array(seen))


def _square(picture: FloatPicture, x: int, y: int, half: int) -> FloatPicture:
    return picture[y - half : y + half, x - half : x + half]


def _squares(pictures: Sequence[FloatPicture], x: int, y: int, half: int) -> FloatPicture:
    return np.stack([_square(picture, x, y, half) for picture in pictures])


def _best_shift(
    patch: FloatPicture, weight: FloatPicture, area: FloatPicture, search_px: int
) -> tuple[int, int] | None:
    """The whole shift at which the patch is likest; None when another is nearly as like, as canvas threads make it."""
    there, wanted = (np.ascontiguousarray(np.moveaxis(one, 0, -1)) for one in (area, patch))
    if weight.all():
        likeness = cv2.matchTemplate(there, wanted, cv2.TM_CCOEFF_NORMED)
    else:
        mask = np.repeat(weight[..., None], wanted.shape[-1], axis=-1)
        likeness = cv2.matchTemplate(there, wanted, cv2.TM_CCORR_NORMED, mask=mask)
        likeness[~np.isfinite(likeness)] = -1.0
    _, best, _, (x, y) = cv2.minMaxLoc(likeness)
    is_peak = likeness >= cv2.dilate(likeness, np.ones((3, 3), np.uint8))
    is_peak[max(0, y - PEAK_PX) : y + PEAK_PX + 1, max(0, x - PEAK_PX) : x + PEAK_PX + 1] = False
    if likeness[is_peak].max(initial=-1.0) > AMBIGUOUS * best:
        return None
    return x - search_px, y - search_px
