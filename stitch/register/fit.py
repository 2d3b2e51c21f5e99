"""Least-squares similarity and rigid fits between point sets (Umeyama, IEEE PAMI 13(4), 376–380, 1991)."""

from __future__ import annotations

from enum import Enum

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


class Scale(Enum):
    """Whether the fit may change the scale."""

    FIXED = "fixed"
    FREE = "free"


def similarity(source: FloatArray, target: FloatArray, scale: Scale, weights: FloatArray | None = None) -> FloatArray:
    """The map target_from_source, (2, 3), that minimises the weighted squared distances; never a reflection.

    Parameters
    ----------
    source, target : (n, 2) points, n ≥ 2, not all the same.
    weights : (n,) non-negative, or None for equal ones.
    """
    w = np.ones(len(source)) if weights is None else weights
    w = w / w.sum()
    centre_s, centre_t = w @ source, w @ target
    s, t = source - centre_s, target - centre_t
    covariance = (t * w[:, None]).T @ s
    u, d, vt = np.linalg.svd(covariance)
    sign = np.array([1.0, np.sign(np.linalg.det(u) * np.linalg.det(vt)) or 1.0])
    rotation = (u * sign) @ vt
    factor = 1.0
    if scale is Scale.FREE:
        factor = float((d * sign).sum() / (w @ (s**2).sum(axis=1)))
    linear = factor * rotation
    return np.column_stack([linear, centre_t - linear @ centre_s])
