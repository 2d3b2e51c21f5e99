"""How much paint lies on the paper at each pixel, as a share of what counts as paint at all.

Two looks at the optical density over bare paper (−log10 of the light it leaves, of the channel it dims most): the pixel
itself, which holds thin lines but also the paper's tooth; and the pixel smoothed by a guided filter of itself (He, Sun
and Tang, ECCV 2010), whose means leave out what is plainly paint, so that pale washes come out of the tooth and nothing
spreads beyond an edge. What bare paper itself shows in either look is taken off.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import px_from_mm
from stitch.imaging.cell_light import LEAST_LIGHT
from stitch.imaging.colour import Encoding, Float32Array
from stitch.imaging.windows import blocks
from stitch.model.geometry import Window
from stitch.model.scans import PixelSource
from stitch.paper.tone import NoPaper, PaperTone, WhyNot

RADIUS_MM = 0.45  # of the guided filter
FINE_SIGMA_PX = 0.7
NOISE_QUANTILE = 99.8  # of bare paper that counts as bare
NOISE_MARGIN = 1.15
LEAST_FLOOR = 0.006  # of density
SAFE = 3.0  # standard deviations of a pixel that what is stated lies above what is done
CERTAIN = 2.2  # times the floor: surely no tooth
WIDEST_FLOOR = 0.6  # of the density from which paint is kept, where the fade begins at the latest
SAMPLE_MM, SAMPLES = 8.0, 40
LEAST_BARE, LEAST_SAMPLES = 0.9, 3

LOG10 = float(1 / np.log(10.0))


@dataclass(frozen=True, slots=True)
class Look:
    """One look: at and below `floor` density is paper's own, from `kept` on paint is kept as it is."""

    floor: float
    kept: float


@dataclass(frozen=True, slots=True, eq=False)
class Cover:
    """What lies on the paper, (h, w) each. paint : share of paint that is kept as it is. shown : share of what is
    seen that is paint and not the paper's own tooth; it rises much sooner."""

    paint: Float32Array
    shown: Float32Array


@dataclass(frozen=True, slots=True)
class Reading:
    """How densities become shares of paint. `noise` : standard deviation of bare paper at a pixel, density."""

    fine: Look
    smooth: Look
    noise: float

    @property
    def lines_from(self) -> float:
        """The density from which a line keeps its codes, whatever the paper's own noise adds to it."""
        return self.fine.kept + SAFE * self.noise

    @property
    def washes_from(self) -> float:
        """The same of a wash."""
        return self.smooth.kept + SAFE * self.noise


def margin_px(ppi: float) -> int:
    """Pixels around a window that its cover depends on."""
    return 2 * _radius(ppi) + 4


def paint_cover(density: Float32Array, reading: Reading, ppi: float) -> Cover:
    """What lies on the paper at every pixel of densities (h, w, 3); right `margin_px` inside the window."""
    fine = cv2.GaussianBlur(density, (0, 0), FINE_SIGMA_PX).max(axis=2)
    smooth = _smoothed(density, fine, reading.noise, reading.smooth.kept, ppi).max(axis=2)
    looks = ((fine, reading.fine), (smooth, reading.smooth))
    paint, shown = (
        np.maximum(*(_risen(values, look.floor, top(look)) for values, look in looks)) for top in (_kept, _certain)
    )
    return Cover(paint, shown)


def densities(
    codes: NDArray[np.uint8] | NDArray[np.uint16], paper: PaperTone, encoding: Encoding, window: Window
) -> Float32Array:
    """Optical density over bare paper of every channel, (h, w, 3); negative where it is lighter than the paper."""
    light = np.maximum(encoding.decode_codes(codes), np.float32(LEAST_LIGHT))
    return (paper.log_at(window) - np.log(light)) * np.float32(LOG10)


def read_noise(source: PixelSource, paper: PaperTone, encoding: Encoding, ppi: float, kept: float) -> Reading:
    """What bare paper shows of itself, from samples all over it. `kept` : density from which washes are kept.

    Raises NoPaper where no square of SAMPLE_MM is bare.
    """
    margin = margin_px(ppi)
    fine: list[NDArray[np.float32]] = []
    deep: list[Float32Array] = []
    for window in _samples(paper, source, ppi):
        deep.append(densities(source.read(window), paper, encoding, window))
        fine.append(cv2.GaussianBlur(deep[-1], (0, 0), FINE_SIGMA_PX).max(axis=2))
    noise = float(np.median([1.4826 * np.median(np.abs(one - np.median(one))) for one in fine]))
    inner = (slice(margin, -margin), slice(margin, -margin))
    smooth = [
        _smoothed(density, one, noise, kept, ppi).max(axis=2)[inner] for density, one in zip(deep, fine, strict=True)
    ]
    least = kept - SAFE * noise
    return Reading(_look([one[inner] for one in fine], least), _look(smooth, least), noise)


def _look(values: Sequence[NDArray[np.float32]], kept: float) -> Look:
    """The floor is that of most samples: a few may lie on a forgotten wash."""
    floors = [float(np.percentile(one, NOISE_QUANTILE)) for one in values]
    floor = max(LEAST_FLOOR, NOISE_MARGIN * float(np.percentile(floors, 75)))
    return Look(floor, max(kept, floor / WIDEST_FLOOR))


def _samples(paper: PaperTone, source: PixelSource, ppi: float) -> list[Window]:
    """Squares that are nearly all bare, spread over the sheet. Raises NoPaper where there are none."""
    side = max(2, round(px_from_mm(SAMPLE_MM, ppi) / paper.cell_px))
    share = cv2.boxFilter(
        paper.bare.astype(np.float32), -1, (side, side), anchor=(0, 0), borderType=cv2.BORDER_CONSTANT
    )
    cells = Window(0, 0, share.shape[1], share.shape[0])
    step = max(side, int(np.sqrt(share.size / (4 * SAMPLES))))
    found: list[tuple[float, Window]] = []
    for block in blocks(cells, step, step):
        part = share[block.slices_in(cells)]
        row, column = np.unravel_index(int(part.argmax()), part.shape)
        left, top = (int(column) + block.x0_px) * paper.cell_px, (int(row) + block.y0_px) * paper.cell_px
        window = Window(left, top, side * paper.cell_px, side * paper.cell_px)
        if part.max() >= LEAST_BARE and window.clipped(source.size) == window:
            found.append((float(part.max()), window))
    if len(found) < LEAST_SAMPLES:
        raise NoPaper(WhyNot.LITTLE)
    found.sort(key=lambda one: -one[0])
    return [window for _, window in found[:SAMPLES]]


def _smoothed(density: Float32Array, fine: NDArray[np.float32], noise: float, kept: float, ppi: float) -> Float32Array:
    """The guided filter of each channel by itself, where paint is not plain; plain paint keeps its own density."""
    side = 2 * _radius(ppi) + 1
    plain = cv2.dilate((fine > kept).astype(np.uint8), np.ones((3, 3), np.uint8))
    weight = (1 - plain).astype(np.float32)
    share = np.maximum(cv2.boxFilter(weight, -1, (side, side)), np.float32(1e-3))[..., None]
    held = density * weight[..., None]
    mean = cv2.boxFilter(held, -1, (side, side)) / share
    square = cv2.boxFilter(held * density, -1, (side, side)) / share
    variance = np.maximum(square - mean * mean, 0)
    follow = variance / (variance + np.float32((2 * noise) ** 2))
    rest = mean * (1 - follow)
    follow, rest = (cv2.boxFilter(one * weight[..., None], -1, (side, side)) / share for one in (follow, rest))
    smooth = follow * density + rest
    return np.where(plain[..., None] > 0, density, smooth)


def _kept(look: Look) -> float:
    return look.kept


def _certain(look: Look) -> float:
    return min(look.kept, CERTAIN * look.floor)


def _risen(density: NDArray[np.float32], low: float, high: float) -> Float32Array:
    t = np.clip((density - low) / (high - low), 0, 1)
    return np.asarray(t * t * (3 - 2 * t), np.float32)


def _radius(ppi: float) -> int:
    return max(2, round(px_from_mm(RADIUS_MM, ppi)))
