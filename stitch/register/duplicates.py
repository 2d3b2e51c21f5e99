"""The same part scanned twice: which scans the painting can do without, and which of two is the sharper.

A scan is not needed when one other shows at least 85 % of what it shows and all others together show all of it. Of two
such the one with less fine detail is left out: the power of a high band over what both show, less the power that the
scanner's noise has there.
"""

from __future__ import annotations

from collections.abc import Mapping

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import FloatArray, apply, compose, invert, scale_of
from stitch.imaging.resample import coverage, sample
from stitch.model.geometry import Size, Window
from stitch.model.layout import LeftOut
from stitch.model.scans import PixelSource
from stitch.register.evidence import as_float, blurred
from stitch.register.place import Registration
from stitch.register.reduced import Reduced

ALIKE_SHARE = 0.85  # of a scan, shown by one other
SHOWN_SHARE = 0.995  # of a scan, shown by all others together
GRID_COUNT = 64  # points along each side
OUTLINE_SLACK_PX = 10.0  # the outline is known no better
BAND_SIGMAS_PX = (0.8, 2.0)  # fine detail: what defocus takes first
NOISE_PERCENTILE = 10
BLOCK_PX = 16
WINDOW_PX, WINDOW_COUNT = 512, 9  # read of the full scans to compare sharpness

FloatPicture = NDArray[np.float32]


def redundant(
    registration: Registration,
    reduced: Mapping[str, Reduced],
    sources: Mapping[str, PixelSource] | None = None,
    outline_px: FloatArray | None = None,
) -> tuple[LeftOut, ...]:
    """Scans that another shows as well or better, and that leave no hole when they are left out.

    Parameters
    ----------
    sources : the scans themselves; sharpness is compared on windows of them. Without them on the reduced copies, which
        hide blur finer than their own px.
    outline_px : corners of the painting in the registration's frame (nominal px), (4, 2) in order, where its edges were
        seen; what a scan shows outside of them needs no other scan.
    """
    maps = {name: pose.matrix() for name, pose in registration.poses.items()}
    shown = {name: _shown(name, maps, registration.sizes) for name in maps}
    needed = {name: _inside(_grid(maps[name], registration.sizes[name]), outline_px) for name in maps}
    twins = [(a, b) for a in maps for b in maps if a < b and max(shown[a][b].mean(), shown[b][a].mean()) >= ALIKE_SHARE]
    found: dict[str, LeftOut] = {}
    for a, b in twins:
        if a in found or b in found:
            continue
        ratio = _sharpness_ratio(a, b, maps, reduced, sources)
        less, more = (a, b) if ratio < 1 else (b, a)
        others = [name for name in maps if name not in found and name != less]
        everywhere = np.logical_or.reduce([shown[less][name] for name in others])
        everywhere |= ~needed[less]
        if shown[less][more].mean() >= ALIKE_SHARE and everywhere.mean() >= SHOWN_SHARE:
            found[less] = LeftOut(less, more, min(ratio, 1 / ratio))
    return tuple(found.values())


def _shown(name: str, maps: Mapping[str, FloatArray], sizes: Mapping[str, Size]) -> dict[str, NDArray[np.bool_]]:
    """For every other scan, which points of a grid over this one it shows too."""
    points = _grid(maps[name], sizes[name])
    found = {}
    for other, matrix in maps.items():
        if other != name:
            there = apply(invert(matrix), points)
            limit = (sizes[other].width_px - 1, sizes[other].height_px - 1)
            found[other] = np.asarray(((there >= 0) & (there <= limit)).all(axis=1))
    return found


def _grid(matrix: FloatArray, size: Size) -> FloatArray:
    """Points spread over a scan, in the registration's frame, (n, 2)."""
    x, y = (np.linspace(0, length - 1, GRID_COUNT) for length in (size.width_px, size.height_px))
    return apply(matrix, np.stack(np.meshgrid(x, y), -1).reshape(-1, 2))


def _inside(points: FloatArray, outline_px: FloatArray | None) -> NDArray[np.bool_]:
    """Which points lie inside the outline, or within OUTLINE_SLACK_PX of it."""
    if outline_px is None:
        return np.ones(len(points), bool)
    polygon = outline_px.astype(np.float32).reshape(-1, 1, 2)
    away = [cv2.pointPolygonTest(polygon, (float(x), float(y)), measureDist=True) for x, y in points]
    return np.array(away) > -OUTLINE_SLACK_PX


def _sharpness_ratio(
    a: str, b: str, maps: Mapping[str, FloatArray], reduced: Mapping[str, Reduced],
    sources: Mapping[str, PixelSource] | None,
) -> float:  # fmt: skip
    """Fine detail of scan a ÷ that of scan b, over what both show."""
    if sources is None:
        full = {name: compose(maps[name], reduced[name].scan_from_reduced) for name in (a, b)}
        a_from_b = compose(invert(full[a]), full[b])
        window = reduced[a].size.window()
        powers = _powers(reduced[a].rgb, reduced[b].rgb, reduced[b].size.window(), reduced[b].size, a_from_b, window)
        return _ratio([powers])
    a_from_b = compose(invert(maps[a]), maps[b])
    found = []
    for window in _windows(sources[a].size):
        seen = coverage(sources[b].size, a_from_b, window)
        part = _part(a_from_b, window, sources[b].size)
        if seen.mean() > 0.5 and not part.is_empty:
            pixels = as_float(sources[a].read(window)), as_float(sources[b].read(part))
            found.append(_powers(*pixels, part, sources[b].size, a_from_b, window))
    return _ratio(found)


def _windows(size: Size) -> list[Window]:
    """Windows spread over a scan."""
    side = int(WINDOW_COUNT**0.5)
    width, height = min(WINDOW_PX, size.width_px), min(WINDOW_PX, size.height_px)
    xs, ys = (np.linspace(0, n - w, side).astype(int) for n, w in ((size.width_px, width), (size.height_px, height)))
    return [Window(int(x), int(y), width, height) for y in ys for x in xs]


def _part(a_from_b: FloatArray, window: Window, size: Size) -> Window:
    ends = np.array([[window.x0_px, window.y0_px], [window.x1_px, window.y0_px], [window.x1_px, window.y1_px],
                     [window.x0_px, window.y1_px]], dtype=np.float64)  # fmt: skip
    points = apply(invert(a_from_b), ends)
    x0, y0 = np.floor(points.min(axis=0)).astype(int) - 8
    x1, y1 = np.ceil(points.max(axis=0)).astype(int) + 9
    return Window(int(x0), int(y0), int(x1 - x0), int(y1 - y0)).clipped(size)


def _powers(
    rgb_a: FloatPicture, rgb_b: FloatPicture, part_b: Window, size_b: Size, a_from_b: FloatArray, window: Window
) -> tuple[float, float]:
    """Power of the high band of each scan in its own px, less that of its noise, over what both show."""
    band_a, noise_a = _band(rgb_a, 1.0)
    band_b, noise_b = _band(rgb_b, 1 / scale_of(a_from_b))
    power_b = sample(np.square(band_b), part_b, a_from_b, window)
    both = coverage(size_b, a_from_b, window, inset_px=4)
    if not both.any():
        return 0.0, 0.0
    return float(np.square(band_a)[both].mean() - noise_a), float(power_b[both].mean() - noise_b)


def _band(rgb: FloatPicture, px_scale: float) -> tuple[FloatPicture, float]:
    """High band of grey and the power of noise in it, from the quietest blocks."""
    grey = rgb.mean(axis=2)
    fine, coarse = (max(sigma * px_scale, 0.5) for sigma in BAND_SIGMAS_PX)
    band = blurred(grey, fine) - blurred(grey, coarse)
    quiet = cv2.blur(np.square(band), (BLOCK_PX, BLOCK_PX))[:: BLOCK_PX // 2, :: BLOCK_PX // 2]
    return band, float(np.percentile(quiet, NOISE_PERCENTILE))


def _ratio(powers: list[tuple[float, float]]) -> float:
    """Amplitude ratio of summed powers; 1 where there is nothing to compare."""
    a, b = (max(sum(power[k] for power in powers), 0.0) for k in (0, 1))
    return float(np.sqrt(a / b)) if a > 0 and b > 0 else 1.0
