"""Do two scans fit each other at another place just as well? Repeated ornament does, and no match of features tells.

All shifts of one scan over the other are tried at once by the normalised correlation of what they have in common
(Padfield, IEEE TIP 21(5), 2706–2718, 2012), on small copies, with the rotation of the placement that is in question.
"""

from __future__ import annotations

from typing import Any
from weakref import WeakKeyDictionary

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from stitch.imaging.affine import FloatArray, apply, corners
from stitch.register.drawn import lines_of, log_grey
from stitch.register.evidence import Signal, band_pass, raw_signal
from stitch.register.reduced import Reduced

FloatPicture = NDArray[np.float32]

LONG_SIDE_PX = 420
BLUR_ON = 4  # px that such a blur takes as one
EVEN_OUT_PX = 12.0  # reduced px over which contrast is evened out, so that one bold line does not decide
LEAST_OVERLAP_FRACTION = 0.04  # of the smaller scan
LEAST_CORRELATION = 0.7  # of small copies; paint without repeats stays below, up to 0.67 (measured, simulated scans)
SAME_PLACE_PX = 6  # small px: nearer than this is the same place
MOST_RIVALS = 6

_KEPT: WeakKeyDictionary[Reduced, dict[tuple[int, Signal, int], tuple[FloatPicture, FloatPicture]]] = (
    WeakKeyDictionary()
)


def rival_maps(
    a: Reduced, b: Reduced, a_from_b: FloatArray, turn_deg: int, signal: Signal = Signal.PAINT
) -> list[FloatArray]:
    """Maps `a_from_b` with the same rotation and another shift under which the scans look alike, the likest first."""
    factor = max(1, -(-max(a.size.width_px, a.size.height_px) // LONG_SIDE_PX))
    ends = apply(np.column_stack([a_from_b[:, :2], [0.0, 0.0]]), corners(b.size.width_px, b.size.height_px))
    low, high = np.floor(ends.min(axis=0)), np.ceil(ends.max(axis=0))
    upright = np.column_stack([a_from_b[:, :2], -low])
    width, height = (int(v) for v in high - low)
    turned = cv2.warpAffine(_raw(b, turn_deg, signal), upright, (width, height), borderMode=cv2.BORDER_REPLICATE)
    inside = cv2.warpAffine(np.ones((b.size.height_px, b.size.width_px), np.float32), upright, (width, height)) > 0.999
    signal_a, mask_a = _own(a, turn_deg, signal, factor)
    signal_b, mask_b = _small(_seen(np.asarray(turned), turn_deg, signal), inside, factor)
    if min(signal_a.size, signal_b.size) == 0:
        return []
    likeness = _correlation(signal_a, mask_a, signal_b, mask_b)
    _blot(likeness, np.rint((a_from_b[:, 2] + low) / factor).astype(int))
    shifts = []
    for _ in range(MOST_RIVALS):
        y, x = np.unravel_index(int(likeness.argmax()), likeness.shape)
        if likeness[y, x] < LEAST_CORRELATION:
            break
        _blot(likeness, np.array([x, y]))
        shifts.append((_signed(int(x), signal_a.shape[1], likeness.shape[1]),
                       _signed(int(y), signal_a.shape[0], likeness.shape[0])))  # fmt: skip
    return [np.column_stack([a_from_b[:, :2], np.array(shift) * factor - low]) for shift in shifts]


def _own(scan: Reduced, turn_deg: int, signal: Signal, factor: int) -> tuple[FloatPicture, FloatPicture]:
    """What a scan itself shows, kept as long as its small copy is: it is asked for once with every other scan."""
    kept = _KEPT.setdefault(scan, {})
    key = (turn_deg, signal, factor)
    if key not in kept:
        whole = np.ones((scan.size.height_px, scan.size.width_px), bool)
        kept[key] = _small(_seen(_raw(scan, turn_deg, signal), turn_deg, signal), whole, factor)
    return kept[key]


def _raw(scan: Reduced, turn_deg: int, signal: Signal) -> FloatPicture:
    return log_grey(scan.rgb) if turn_deg and signal is Signal.DRAWN_LINES else raw_signal(scan.rgb, turn_deg)


def _seen(raw: FloatPicture, turn_deg: int, signal: Signal) -> FloatPicture:
    return lines_of(raw) if turn_deg and signal is Signal.DRAWN_LINES else band_pass(raw, turn_deg)


def _signed(place: int, length: int, period: int) -> int:
    return place if place < length else place - period


def _small(signal: FloatPicture, inside: NDArray[np.bool_], factor: int) -> tuple[FloatPicture, FloatPicture]:
    """A signal with even contrast, and where it is known, both reduced by `factor`; 0 where it is not."""
    mask = inside.astype(np.float32)
    signal = signal * mask
    weight = np.maximum(_widely_blurred(mask), 1e-3)
    spread = np.sqrt(_widely_blurred(signal * signal) / weight)
    signal = signal / (spread + np.median(spread[::BLUR_ON, ::BLUR_ON]) / 2 + 1e-6)
    size = (signal.shape[1] // factor, signal.shape[0] // factor)
    if 0 in size:
        return np.zeros((0, 0), np.float32), np.zeros((0, 0), np.float32)
    known = (cv2.resize(mask, size, interpolation=cv2.INTER_AREA) > 0.99).astype(np.float32)
    return np.asarray(cv2.resize(signal, size, interpolation=cv2.INTER_AREA)) * known, known


def _widely_blurred(picture: FloatPicture) -> FloatPicture:
    """Gaussian blur by EVEN_OUT_PX, worked out on a quarter of the pixels each way: it leaves nothing finer."""
    size = picture.shape[1::-1]
    small = cv2.resize(picture, None, fx=1 / BLUR_ON, fy=1 / BLUR_ON, interpolation=cv2.INTER_AREA)
    blurred = cv2.GaussianBlur(small, (0, 0), EVEN_OUT_PX / BLUR_ON)
    return np.asarray(cv2.resize(blurred, size, interpolation=cv2.INTER_LINEAR))


def _correlation(a: FloatPicture, mask_a: FloatPicture, b: FloatPicture, mask_b: FloatPicture) -> NDArray[np.float32]:
    """Correlation at every shift of b (cyclic, negative ones at the end); −1 where the overlap is too small."""
    shape = tuple(cv2.getOptimalDFTSize(p + q) for p, q in zip(a.shape, b.shape, strict=True))

    def spectrum(values: FloatPicture) -> NDArray[Any]:
        return np.asarray(scipy.fft.rfft2(values, shape))

    def together(p: NDArray[Any], q: NDArray[Any]) -> NDArray[np.float32]:
        return np.asarray(scipy.fft.irfft2(p * np.conj(q), shape))

    on_a, on_b, fa, fb = spectrum(mask_a), spectrum(mask_b), spectrum(a), spectrum(b)
    common = together(on_a, on_b)
    count = np.maximum(common, 1.0)
    sum_a, sum_b = together(fa, on_b), together(on_a, fb)
    power_a = together(spectrum(a * a), on_b) - sum_a**2 / count
    power_b = together(on_a, spectrum(b * b)) - sum_b**2 / count
    floor = 1e-4 * count  # evened contrast has a power of about 1 a pixel
    likeness = (together(fa, fb) - sum_a * sum_b / count) / np.sqrt(
        np.maximum(power_a, floor) * np.maximum(power_b, floor)
    )
    least = LEAST_OVERLAP_FRACTION * min(mask_a.sum(), mask_b.sum())
    return np.where(common > least, likeness, -1.0).astype(np.float32)


def _blot(likeness: NDArray[np.float32], place: NDArray[np.intp]) -> None:
    """Take out everything around a place (x, y), cyclically."""
    reach = np.arange(-SAME_PLACE_PX, SAME_PLACE_PX + 1)
    rows = (place[1] + reach) % likeness.shape[0]
    likeness[rows[:, None], (place[0] + reach) % likeness.shape[1]] = -1.0
