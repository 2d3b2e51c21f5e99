"""Specks that the picture shows and another scan of the same place does not."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.dust.contrast import Plane, contrast, softened
from stitch.imaging.affine import px_from_mm

LEAST = 0.025  # of the code range, that a speck has to stand out by at the least,
RANGE_SHARE = 0.35  # and this share of the range that the other scan shows around the pixel
NOISE_TIMES = 5.0
SLOW_MM = 1.5  # tone that differs more slowly than this is no speck
SLOW_LIMIT = 0.02
OWN_TIMES = 1.6  # a speck stands out in its own scan so many times as much as in the other
MISPLACED_PX = 1  # what the two may lie apart


def odd_ones(picture: Plane, others: Sequence[tuple[Plane, NDArray[np.bool_]]], ppi: float) -> NDArray[np.bool_]:
    """Pixels of a picture (h, w), grey 0..1, that stand out though no other scan that covers them shows them.

    others : grey as sampled at the same pixels, and where each counts: it covers the pixel and did not make it.
    """
    own = contrast(picture, ppi)
    says = np.zeros(picture.shape, np.uint8)
    covers = np.zeros(picture.shape, np.uint8)
    for other, counts in others:
        covers += counts
        says += counts & _stands_out(picture, own, other, counts, ppi)
    return np.asarray((covers > 0) & (says == covers))


def _stands_out(picture: Plane, own: Plane, other: Plane, counts: NDArray[np.bool_], ppi: float) -> NDArray[np.bool_]:
    difference = np.clip(picture - other, -SLOW_LIMIT, SLOW_LIMIT) * counts
    sigma = px_from_mm(SLOW_MM, ppi)
    share = softened(counts.astype(np.float32), sigma)
    slow = softened(difference.astype(np.float32), sigma) / np.maximum(share, 1e-3)
    level = other + slow
    beside = np.ones((2 * MISPLACED_PX + 1,) * 2, np.uint8)
    low, high = cv2.erode(level, beside), cv2.dilate(level, beside)
    left = (picture - level)[counts]
    noise = 1.4826 * float(np.median(np.abs(left))) if left.size else 0.0
    margin = max(LEAST, NOISE_TIMES * noise) + RANGE_SHARE * (high - low)
    out = np.where(picture < low, low - picture, np.maximum(picture - high, 0)) > margin
    theirs = np.abs(contrast(other, ppi))
    return np.asarray(out & (np.abs(own) > OWN_TIMES * theirs))
