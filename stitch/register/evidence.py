"""The signal that matching looks at: band-passed paint.

Scans that lie the same way up are lit from the same side, so everything they show agrees: luminance is used. When
one is turned, relief (tooth, weave, impasto) reads inverted, and granulation that follows the relief drags a
luminance match along with it. Relief shades all three channels by the same factor, so it cancels in the logarithm
of a ratio of channels: turned pairs are matched on log-chroma.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import FloatArray, invert
from stitch.model.geometry import Window

DARK_FLOOR = 0.02  # encoded; below it a ratio of channels is noise
SAME_WAY_SIGMAS_PX = (0.7, 6.0)
TURNED_SIGMAS_PX = (1.0, 8.0)
REACH_PX = 20  # beyond this the widest of the filters sees nothing


def evidence(rgb: NDArray[np.float32], turn_deg: int, px_scale: float = 1.0) -> NDArray[np.float32]:
    """Band-passed evidence of encoded RGB 0..1, (h, w, 3) to (h, w), for a pair turned by `turn_deg`.

    `px_scale` widens the filters: px of this scan for one px of the scan it is compared with.
    """
    if turn_deg == 0:
        return band_pass(rgb @ np.array([0.3, 0.6, 0.1], dtype=np.float32), SAME_WAY_SIGMAS_PX, px_scale)
    logs = np.log(np.maximum(rgb, DARK_FLOOR))
    return band_pass(logs[..., 0] + logs[..., 2] - 2 * logs[..., 1], TURNED_SIGMAS_PX, px_scale)


def band_pass(
    signal: NDArray[np.float32], sigmas_px: tuple[float, float], px_scale: float = 1.0
) -> NDArray[np.float32]:
    """Difference of two Gaussians."""
    fine, coarse = (sigma * px_scale for sigma in sigmas_px)
    smooth = cv2.GaussianBlur(signal, (0, 0), fine, borderType=cv2.BORDER_REFLECT_101)
    return smooth - cv2.GaussianBlur(signal, (0, 0), coarse, borderType=cv2.BORDER_REFLECT_101)


def doubled(signal: NDArray[np.float32]) -> NDArray[np.float32]:
    """The signal on a grid twice as fine: pixel x becomes 2·x, the ones between by 8-point Lagrange interpolation."""
    height, width = signal.shape
    half = np.array([-5, 49, -245, 1225, 1225, -245, 49, -5], dtype=np.float32) / 2048
    fine = np.empty((2 * height, 2 * width), np.float32)
    fine[::2, ::2] = signal
    fine[::2, 1::2] = cv2.filter2D(signal, -1, half[None, :], anchor=(3, 0), borderType=cv2.BORDER_REFLECT_101)
    between = cv2.filter2D(fine[::2], -1, half[:, None], anchor=(0, 3), borderType=cv2.BORDER_REFLECT_101)
    fine[1::2] = between
    return fine


def resampled(signal: NDArray[np.float32], part: Window, a_from_b: FloatArray, window: Window) -> NDArray[np.float32]:
    """Read the signal of `part` of scan b at the pixels of `window` of scan a, without the cubic kernel's own shift.

    OpenCV's cubic kernel does not reproduce a ramp (up to 0.05 px off, changing with the fraction of a pixel). Read
    from a doubled grid the band-passed signal is smooth enough for that to vanish.
    """
    b_from_a = invert(a_from_b)
    offset = b_from_a[:, :2] @ np.array([window.x0_px, window.y0_px]) + b_from_a[:, 2]
    matrix = np.column_stack([b_from_a[:, :2], offset - (part.x0_px, part.y0_px)])
    return cv2.warpAffine(  # type: ignore[return-value]
        doubled(signal),
        2 * matrix,
        (window.width_px, window.height_px),
        flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )


def as_float(pixels: NDArray[Any]) -> NDArray[np.float32]:
    """Codes to encoded values 0..1 as float32."""
    return pixels.astype(np.float32) * np.float32(1.0 / np.iinfo(pixels.dtype).max)
