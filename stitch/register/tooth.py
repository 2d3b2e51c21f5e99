"""Scans that share hardly anything but blank paper: its tooth, by dense correlation of small patches.

Paper tooth lies still under a lamp from the same side, so scans of the same orientation show it alike. Patches along
the borders of one scan are looked for all over the other, at small rotations; one patch proves nothing, several that
agree on one rigid placement do, and the whole overlap is asked then.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import FloatArray, apply
from stitch.register import agreement, candidates
from stitch.register.candidates import Candidate
from stitch.register.evidence import blurred, raw_signal
from stitch.register.features import Features
from stitch.register.fit import Scale, similarity
from stitch.register.pairs import Doubt, Pair, settled
from stitch.register.reduced import Reduced

SIGMAS_PX = (0.8, 4.0)  # reduced px
EVEN_OUT_PX = 12.0
PATCH_PX = 96
ALONG = (4, 6)  # patches along the shorter and the longer border
ANGLES_DEG = (0.0, 1.2, -1.2, 2.4, -2.4, 3.6, -3.6)
LEAST_NCC = 0.5  # of one patch: true places reach 0.97 in rough paper (measured, simulated scans)
ABOVE_SECOND = 1.35  # times the next best place
SECOND_APART_PX = 6
AGREE_PX = 4.0
LEAST_VOTES = 4
LEAST_BLOCKS = 12
LEAST_FRACTION = 0.6
LEAST_MEAN_NCC = 0.45

Picture = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class _Vote:
    at_a: tuple[float, float]
    at_b: tuple[float, float]
    ncc: float


def try_tooth(a: Reduced, b: Reduced, features_a: Features, features_b: Features, scale: float) -> Pair | Doubt | None:
    """How two scans lie by the tooth of their paper, where they lie the same way round and have the same scale.

    `scale` is the size of a reduced px of b in reduced px of a.
    """
    if abs(scale - 1.0) > 0.01:
        return None
    found = _placed(_votes(_seen(a), _seen(b)))
    if found is None:
        return None
    a_from_b, points_a, points_b = found
    if candidates.overlap_area_px(a.size, b.size, a_from_b) < PATCH_PX**2:
        return None
    known = candidates.supported(features_a, features_b, a.size, b.size, 0, a_from_b)
    candidate = Candidate(
        a.scan_id,
        b.scan_id,
        0,
        a_from_b,
        points_a,
        points_b,
        known.match_ratio,
        len(points_a),
        known.overlap_fraction,
    )
    agreed = agreement.check(a, b, candidate)
    is_wide = agreed.agreeing_count >= LEAST_BLOCKS and agreed.fraction >= LEAST_FRACTION
    if candidate.is_same_place or not is_wide or agreed.mean_ncc < LEAST_MEAN_NCC:
        return None
    return settled(a, b, features_a, features_b, [Pair(candidate, agreed)])


def _seen(scan: Reduced) -> Picture:
    """Band-passed luminance with even contrast, so that no bold line decides."""
    grey = raw_signal(scan.rgb, 0)
    band = blurred(grey, SIGMAS_PX[0]) - blurred(grey, SIGMAS_PX[1])
    spread = np.sqrt(blurred(band * band, EVEN_OUT_PX))
    return np.asarray(band / (spread + 1e-4), np.float32)


def _votes(a: Picture, b: Picture) -> list[_Vote]:
    votes = []
    for x, y in _places(b.shape[1], b.shape[0]):
        best = max((_looked_for(a, b, x, y, angle) for angle in ANGLES_DEG), key=lambda v: v.ncc if v else 0.0)
        if best is not None:
            votes.append(best)
    return votes


def _places(width: int, height: int) -> list[tuple[int, int]]:
    """Middles of patches along the borders."""
    half = int(PATCH_PX * 0.75)
    if min(width, height) < 3 * half:
        return []
    across, down = (ALONG[0], ALONG[1]) if width <= height else (ALONG[1], ALONG[0])
    xs = np.linspace(half, width - 1 - half, across).astype(int)
    ys = np.linspace(half, height - 1 - half, down).astype(int)
    return [(int(x), int(y)) for y in ys for x in xs if x in (xs[0], xs[-1]) or y in (ys[0], ys[-1])]


def _looked_for(a: Picture, b: Picture, x: int, y: int, angle_deg: float) -> _Vote | None:
    """Where a patch of b, turned by a small angle, lies in a; None where no place stands out."""
    turned = cv2.getRotationMatrix2D((float(x), float(y)), angle_deg, 1.0)
    turned = np.column_stack([turned[:, :2], turned[:, 2] + PATCH_PX / 2 - np.array([x, y])])
    patch = cv2.warpAffine(b, turned, (PATCH_PX, PATCH_PX), flags=cv2.INTER_CUBIC)
    likeness = cv2.matchTemplate(a, np.asarray(patch), cv2.TM_CCOEFF_NORMED)
    _, best, _, (u, v) = cv2.minMaxLoc(likeness)
    if best < LEAST_NCC:
        return None
    low = max(0, v - SECOND_APART_PX), max(0, u - SECOND_APART_PX)
    likeness[low[0] : v + SECOND_APART_PX + 1, low[1] : u + SECOND_APART_PX + 1] = -1.0
    if float(likeness.max()) * ABOVE_SECOND > best:
        return None
    return _Vote((u + PATCH_PX / 2, v + PATCH_PX / 2), (float(x), float(y)), float(best))


def _placed(votes: list[_Vote]) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """The rigid map of b into a that most votes agree on, and their points; None when too few do."""
    if len(votes) < LEAST_VOTES:
        return None
    at_a, at_b = np.array([v.at_a for v in votes]), np.array([v.at_b for v in votes])
    best = np.zeros(len(votes), bool)
    for i in range(len(votes)):
        for j in range(i):
            two = [i, j]
            if np.hypot(*(at_b[i] - at_b[j])) < PATCH_PX:
                continue
            off = np.hypot(*(apply(similarity(at_b[two], at_a[two], Scale.FIXED), at_b) - at_a).T)
            if (off < AGREE_PX).sum() > best.sum():
                best = off < AGREE_PX
    if best.sum() < LEAST_VOTES or best.sum() < 0.6 * len(votes):
        return None
    fitted = similarity(at_b[best], at_a[best], Scale.FIXED)
    if abs(np.degrees(np.arctan2(fitted[1, 0], fitted[0, 0]))) > candidates.ANGLE_SLACK_DEG:
        return None
    return fitted, at_a[best], at_b[best]
