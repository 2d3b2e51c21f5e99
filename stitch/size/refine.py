"""One side of the painting at full resolution: where many short strips across it have their sharpest step."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.model.geometry import Window
from stitch.model.scans import PixelSource
from stitch.size.lines import Fit, fit_line

FloatArray = NDArray[np.float64]
Strip = tuple[float, FloatArray, FloatArray]  # place along the side, offsets inward of its steps, their sizes

STRIP_MM = 2.5
MOST_STRIPS = 80
REACH_MM = 1.2  # looked at on either side of the line found on the reduced picture
CORNER_MM = 4.0  # left out at both ends
BIN_PX = 0.25
LIGHT_POWER = 2.2  # codes to something near light, so that a half-covered pixel lies half way
STEP_PX = 1.5  # means over so much on either side of a place
NEAR_MM = 0.6  # a step counts half when it lies so far from the line found before
SMALLEST_STEP = 0.004  # of light
OVER_GROUND = 3.0  # times the median step in the strip
LEAST_SHARE = 0.3  # of the strip's largest step
SHARED_MM = 0.15  # steps so near a line belong to it
SHARED_SHARE = 0.75  # of the strips
TILT_MM = 0.4  # how far the line found before may be off at the ends by its direction
SEEN_SHARE = 0.8  # of the reach across the edge must lie inside the picture
FLOOR_PX = 0.05  # least scatter believed
GRID_PX = 0.15  # an edge along the pixel grid meets every strip at the same phase: what averaging cannot remove
LEAST_STRIPS = 6


def refine_side(
    source: PixelSource, start: FloatArray, end: FloatArray, inward: FloatArray, px_per_mm: float
) -> tuple[FloatArray, FloatArray, Fit] | None:
    """Fit a side at full resolution.

    Parameters
    ----------
    start, end : (2,) corners (x, y) of the side as found on the reduced picture, in px of `source`.
    inward : (2,) unit vector across the side, towards the painting.

    Returns
    -------
    The side's line as two points over the same length, and its fit (distance inward against place along, px); None when
    too few strips show a step.
    """
    length = float(np.hypot(*(end - start)))
    along = (end - start) / length
    strips = []
    for place in _places(length, px_per_mm):
        offsets, sizes = _steps_in_strip(source, start + place * along, along, inward, px_per_mm)
        if offsets.size:
            strips.append((float(place), offsets, sizes))
    if len(strips) < LEAST_STRIPS:
        return None
    places, steps = _one_line(strips, length, px_per_mm)
    fit = fit_line(places, steps, floor=FLOOR_PX)
    fit = replace(fit, sigma=float(np.hypot(fit.sigma, GRID_PX)))
    first, last = (start + t * along + fit.at(t) * inward for t in (0.0, length))
    return np.asarray(first), np.asarray(last), fit


def _one_line(strips: list[Strip], length_px: float, px_per_mm: float) -> tuple[FloatArray, FloatArray]:
    """Places and steps that belong to one line: the outermost that most strips share.

    Painted lines beside an edge can be stronger than the edge, but they seldom run along all of it. Where no line is
    shared (a ragged edge), every strip gives its strongest step near the line found before.
    """
    near = NEAR_MM * px_per_mm
    voted = _outermost_shared(strips, length_px, px_per_mm)
    places, steps = [], []
    for place, offsets, sizes in strips:
        expected = 0.0 if voted is None else voted[0] + voted[1] * (place - length_px / 2)
        distance = offsets - expected
        if voted is None:
            best = int((sizes / (1.0 + (distance / near) ** 2)).argmax())
        else:
            best = int(np.abs(distance).argmin())
            if abs(distance[best]) > SHARED_MM * px_per_mm + 1.0:
                continue
        places.append(place)
        steps.append(float(offsets[best]))
    return np.array(places), np.array(steps)


def _outermost_shared(strips: list[Strip], length_px: float, px_per_mm: float) -> tuple[float, float] | None:
    """Offset at the middle and slope of the outermost line shared by most strips; None when none is."""
    places = np.concatenate([np.full(offsets.size, place) for place, offsets, _ in strips]) - length_px / 2
    strip = np.concatenate([np.full(offsets.size, k) for k, (_, offsets, _) in enumerate(strips)])
    found = np.concatenate([offsets for _, offsets, _ in strips])
    reach, loose = REACH_MM * px_per_mm, SHARED_MM * px_per_mm
    trials = np.arange(-reach, reach + 1e-9, loose / 2)
    slopes = np.linspace(-1, 1, 11) * (2 * TILT_MM * px_per_mm / length_px)
    counts = np.zeros((slopes.size, trials.size))
    for i, slope in enumerate(slopes):
        level = found - slope * places
        for j, trial in enumerate(trials):
            counts[i, j] = np.unique(strip[np.abs(level - trial) <= loose]).size
    best = counts.max(axis=0) / len(strips)
    shared = np.flatnonzero(best >= SHARED_SHARE)
    if shared.size == 0:
        return None
    first = int(shared[0])
    while first + 1 < best.size and best[first + 1] > best[first]:
        first += 1
    return float(trials[first]), float(slopes[counts[:, first].argmax()])


def _places(length_px: float, px_per_mm: float) -> FloatArray:
    inset = min(CORNER_MM * px_per_mm, length_px / 5)
    count = int(np.clip((length_px - 2 * inset) / (STRIP_MM * px_per_mm), 2, MOST_STRIPS))
    return np.linspace(inset, length_px - inset, count)


def _steps_in_strip(
    source: PixelSource, middle: FloatArray, along: FloatArray, inward: FloatArray, px_per_mm: float
) -> tuple[FloatArray, FloatArray]:
    """Distances inward, px, and sizes of the steps in one strip; none when it leaves the picture."""
    half_along, reach = STRIP_MM * px_per_mm / 2, REACH_MM * px_per_mm
    span = np.abs(along) * half_along + np.abs(inward) * (reach + 2)
    low, high = np.floor(middle - span).astype(int), np.ceil(middle + span).astype(int) + 1
    window = Window(int(low[0]), int(low[1]), int(high[0] - low[0]), int(high[1] - low[1])).clipped(source.size)
    if window.is_empty:
        return np.zeros(0), np.zeros(0)
    return _steps(*_profile(source.read(window), window, middle, along, inward, half_along, reach), reach)


def _profile(
    pixels: NDArray[Any],
    window: Window,
    middle: FloatArray,
    along: FloatArray,
    inward: FloatArray,
    half_along: float,
    reach: float,
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Mean light (bins, 3) by distance inward from −reach to reach in bins of `BIN_PX`, and which bins hold pixels."""
    top = 255.0 if pixels.dtype == np.uint8 else 65535.0
    x = np.arange(window.x0_px, window.x1_px) - middle[0]
    y = (np.arange(window.y0_px, window.y1_px) - middle[1])[:, None]
    place = x * along[0] + y * along[1]
    distance = x * inward[0] + y * inward[1]
    count = round(2 * reach / BIN_PX)
    bins = np.floor((distance + reach) / BIN_PX).astype(int)
    use = (np.abs(place) <= half_along) & (bins >= 0) & (bins < count)
    light = cv2.pow(pixels[use].astype(np.float32) / np.float32(top), LIGHT_POWER)
    filled = np.bincount(bins[use], minlength=count)
    sums = np.stack([np.bincount(bins[use], light[:, c], minlength=count) for c in range(3)], axis=1)
    return sums / np.maximum(filled, 1)[:, None], filled > 0


def _steps(profile: FloatArray, known: NDArray[np.bool_], reach: float) -> tuple[FloatArray, FloatArray]:
    if _extent(known) < SEEN_SHARE * known.size:
        return np.zeros(0), np.zeros(0)
    bins = np.arange(profile.shape[0])
    smooth = np.stack([np.interp(bins, bins[known], profile[known, c]) for c in range(3)], axis=1)
    width = round(STEP_PX / BIN_PX)
    total = np.pad(np.cumsum(smooth, axis=0), ((1, 0), (0, 0)))
    at = np.arange(width, profile.shape[0] - width + 1)
    step = (total[at + width] - 2 * total[at] + total[at - width]) / width
    inside = (at > bins[known][0] + width) & (at < bins[known][-1] - width + 2)
    size = np.where(inside, np.sqrt((step**2).sum(axis=1)), 0.0)
    least = max(SMALLEST_STEP, OVER_GROUND * float(np.median(size)), LEAST_SHARE * float(size.max()))
    inner = size[1:-1]
    peaks = np.flatnonzero((inner >= size[:-2]) & (inner > size[2:]) & (inner >= least)) + 1
    return np.array([_centroid(step, at, int(peak), width) for peak in peaks]) * BIN_PX - reach, size[peaks]


def _centroid(step: FloatArray, at: NDArray[np.int64], peak: int, width: int) -> float:
    """Place of a peak in bins, weighted by the squared steps of its own colour around it."""
    around = slice(max(peak - width, 0), peak + width + 1)
    weight = np.maximum(step[around] @ step[peak], 0.0) ** 2
    return float((weight * at[around]).sum() / weight.sum())


def _extent(known: NDArray[np.bool_]) -> int:
    held = np.flatnonzero(known)
    return int(held[-1] - held[0]) if held.size else 0
