"""Do two scans that would lie over each other show the same paint, or only the same glass?

Dust, the bed's frame and the sensor's own streaks repeat at one place of the bed and vote for "these two are the same
part". Paint is more than that: it is wide-spread, and it is not striped along the carriage's travel.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging.resample import coverage, sample
from stitch.register.candidates import Candidate
from stitch.register.evidence import blurred, raw_signal
from stitch.register.reduced import Reduced

FloatPicture = NDArray[np.float32]

SPECK_PX = 5  # median filter: takes out what is narrower than half of it
SIGMAS_PX = (1.5, 10.0)
BLOCK_PX = 16
AGREES_NCC = 0.5
LEAST_AGREEING_SHARE = 0.6  # of all blocks, blank ones included
BORDER_SHARE = 0.04  # of the shorter side: the bed's frame lives there


def shows_same_paint(a: Reduced, b: Reduced, candidate: Candidate) -> bool:
    """Whether most of the overlap agrees in something that cannot be fixed to the bed."""
    window = a.size.window()
    inset = max(3, round(BORDER_SHARE * min(a.size.width_px, a.size.height_px)))
    signal_a = _paint(a.rgb, candidate.turn_deg)
    signal_b = sample(_paint(b.rgb, candidate.turn_deg), b.size.window(), candidate.a_from_b, window)
    inside = coverage(b.size, candidate.a_from_b, window, inset_px=inset)
    inside[:inset] = inside[-inset:] = False
    inside[:, :inset] = inside[:, -inset:] = False
    likeness = _local_correlation(signal_a, signal_b)[:: BLOCK_PX // 2, :: BLOCK_PX // 2]
    chosen = inside[:: BLOCK_PX // 2, :: BLOCK_PX // 2]
    return bool(chosen.sum() >= 50 and (likeness[chosen] > AGREES_NCC).mean() >= LEAST_AGREEING_SHARE)


def _paint(rgb: FloatPicture, turn_deg: int) -> FloatPicture:
    """Evidence without specks and without the streaks of single columns."""
    channels = [cv2.medianBlur(np.ascontiguousarray(rgb[..., k]), SPECK_PX) for k in range(3)]
    raw = raw_signal(np.dstack(channels).astype(np.float32, copy=False), turn_deg)
    signal = blurred(raw, SIGMAS_PX[0]) - blurred(raw, SIGMAS_PX[1])
    return np.asarray(signal - np.median(signal, axis=0), dtype=np.float32)


def _local_correlation(a: FloatPicture, b: FloatPicture) -> NDArray[Any]:
    """Normalised correlation over the block around every px."""

    def mean(values: FloatPicture) -> NDArray[Any]:
        return cv2.boxFilter(values, cv2.CV_32F, (BLOCK_PX, BLOCK_PX))

    mean_a, mean_b = mean(a), mean(b)
    together = mean(a * b) - mean_a * mean_b
    power = np.maximum(mean(a * a) - mean_a**2, 1e-10) * np.maximum(mean(b * b) - mean_b**2, 1e-10)
    return together / np.sqrt(power)
