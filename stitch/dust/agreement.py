"""How well several scans agree that a speck lies at one place of the bed.

A speck of light s that hides a share a of what lies under it changes each scan by a · (s − u), u being what that scan
shows around it: darker paint is lightened where lighter paint is darkened, and paint as light as the speck shows none
of it. For every pixel the s and a are sought that explain all scans best, and how much better they do so than no speck
at all is summed up over the scans, the strongest witness left out: log-likelihood ratios with a limit to each scan's
say, so that one drop of paint in one scan proves nothing (Huber and Ronchetti, Robust Statistics, 2nd ed., 2009).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.dust.contrast import FINE_SIGMA_PX, Plane, contrast, grey_of, usual
from stitch.model.geometry import Window
from stitch.model.scans import PixelSource

LIGHTS = (0.06, 0.1, 0.14, 0.18, 0.22, 0.26, 0.31, 0.37, 0.45, 0.55, 0.7, 0.8, 0.9)  # of a speck, codes 0..1
SHARES = (0.12, 0.2, 0.33, 0.5, 0.7, 0.9)  # hidden of what lies under it, or less where it is smaller than a pixel
MOST_Z = 6.0  # one scan counts no more than this many usual deviations
UNSURE_SHARE = 0.1  # of what a speck is predicted to change
SHOWS_Z = 2.2  # usual deviations that a witness shows
CARRIAGE_PX = 1  # what the carriage may move a place by from scan to scan
BESIDE_PX = 2  # around a patch, where its shape is compared
WITNESS_Z = 1.5  # usual deviations that a scan shows of a patch at its strongest
NOTHING = np.float32(-1.0)


@dataclass(frozen=True, slots=True, eq=False)
class Views:
    """Several scans of one bed, (scans, h, w), codes 0..1.

    detail : what stands out of its surroundings; around : those; usual : standard deviation of detail nearby.
    """

    detail: Plane
    around: Plane
    usual: Plane

    @classmethod
    def of(cls, scans: Sequence[PixelSource], window: Window, within: Window, ppi: float) -> Views:
        """Of a window, from what the scans show `within` a wider one around it."""
        part = window.slices_in(within)
        planes = np.empty((3, len(scans), window.height_px, window.width_px), np.float32)
        for k, scan in enumerate(scans):
            grey = grey_of(scan.read(within))
            detail = contrast(grey, ppi)
            around = cv2.GaussianBlur(grey, (0, 0), FINE_SIGMA_PX) - detail
            planes[:, k] = detail[part], around[part], usual(detail, ppi)[part]
        return cls(*planes)

    def without(self, sure: NDArray[np.bool_]) -> Views:
        """The same, showing nothing where `sure` (h, w)."""
        return Views(np.where(sure, np.float32(0), self.detail), self.around, self.usual)

    def rolled(self, by: Sequence[tuple[int, int]]) -> Views:
        """Every scan moved by itself, rows and columns."""
        planes = (self.detail, self.around, self.usual)
        return Views(
            *(np.stack([np.roll(one, px, (0, 1)) for one, px in zip(plane, by, strict=True)]) for plane in planes)
        )


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """(h, w) each: `strength` of what speaks for a speck (NOTHING where nothing does), and the light and share that
    explain the scans best."""

    strength: Plane
    light: Plane
    share: Plane


def evidence(views: Views) -> Evidence:
    """What speaks for a speck at every pixel."""
    rows, columns = np.nonzero(_shown_by_enough(views))
    ranges = [[one[rows, columns] for one in _range(detail)] for detail in views.detail]
    low, high = (np.stack(one) for one in zip(*ranges, strict=True))
    around, deviation = (one[:, rows, columns] for one in (views.around, views.usual))
    best = np.full(len(rows), NOTHING, np.float32)
    light, share = np.zeros_like(best), np.zeros_like(best)
    for s in LIGHTS:
        for a in SHARES:
            found = _ratio(np.float32(a) * (np.float32(s) - around), high, low, deviation)
            better = found > best
            best[better], light[better], share[better] = found[better], s, a
    planes = []
    for values, nothing in ((best, NOTHING), (light, 0), (share, 0)):
        plane = np.full(views.detail.shape[1:], nothing, np.float32)
        plane[rows, columns] = values
        planes.append(plane)
    return Evidence(*planes)


def _range(detail: Plane) -> tuple[Plane, Plane]:
    """Least and most of a scan's detail at every pixel and beside it."""
    beside = np.ones((2 * CARRIAGE_PX + 1,) * 2, np.uint8)
    return np.asarray(cv2.erode(detail, beside), np.float32), np.asarray(cv2.dilate(detail, beside), np.float32)


def _shown_by_enough(views: Views) -> NDArray[np.bool_]:
    """Pixels (h, w) at which a third of the scans, and two at least, show something."""
    needed = max(2, math.ceil(len(views.detail) / 3))
    count = np.zeros(views.detail.shape[1:], np.uint8)
    for detail, deviation in zip(views.detail, views.usual, strict=True):
        low, high = _range(detail)
        count += np.maximum(high, -low) > SHOWS_Z * deviation
    return np.asarray(count >= needed)


def _ratio(predicted: Plane, high: Plane, low: Plane, deviation: Plane) -> Plane:
    """Summed over scans but the strongest, (n,). `high`, `low` : (scans, n), range of a place's detail."""
    shown = np.where(predicted > 0, np.maximum(high, 0), np.minimum(low, 0))
    missing = np.maximum(np.maximum(predicted - high, low - predicted), 0)
    surplus = np.maximum(np.abs(shown) - np.abs(predicted), 0)
    square = deviation * deviation
    unsure = square + (np.float32(UNSURE_SHARE) * predicted) ** 2
    most = np.float32(MOST_Z**2)
    without = np.minimum(shown * shown / square, most)
    each = 0.5 * (without - np.minimum((missing * missing + surplus * surplus) / unsure, most))
    return np.asarray(each.sum(axis=0) - each.max(axis=0), np.float32)


def likeness(views: Views, found: Evidence, columns: NDArray[np.intp], rows: NDArray[np.intp]) -> tuple[float, int]:
    """How alike in shape a patch is in the scans that must show it, 0..1, and how many of those do.

    What lies on the glass has the same shape in all; drops that meet by chance do not. It is the share of the scans'
    energy in and just around the patch that one common shape explains, what noise leaves unexplained forgiven.
    """
    best = int(found.strength[rows, columns].argmax())
    top, left = max(0, rows.min() - BESIDE_PX), max(0, columns.min() - BESIDE_PX)
    part = np.s_[:, top : rows.max() + BESIDE_PX + 1, left : columns.max() + BESIDE_PX + 1]
    mask = np.zeros(views.detail[part].shape[1:], np.uint8)
    mask[rows - top, columns - left] = 1
    core = mask > 0
    around, deviation = (one[part][:, core].mean(axis=1) for one in (views.around, views.usual))
    at = rows[best], columns[best]
    change = found.share[at] * (found.light[at] - around)
    shows = np.abs(change) > deviation
    if shows.sum() < 2:
        return 0.0, 0
    wide = cv2.dilate(mask, np.ones((2 * BESIDE_PX + 1,) * 2, np.uint8)) > 0
    near = (views.detail[part] / views.usual[part])[shows][:, wide]
    energy = np.linalg.eigvalsh(near @ near.T)
    noise = (len(near) - 1) * near.shape[1]
    left_over = max(0.0, float(energy[:-1].sum()) - noise)
    strongest = (views.detail[part][:, core] * np.sign(change)[:, None]).max(axis=1)
    count = int((shows & (strongest > WITNESS_Z * deviation)).sum())
    return max(0.0, 1 - left_over / max(float(energy.sum()), 1e-9)), count
