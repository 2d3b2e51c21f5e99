"""How much of a thin line's own colour its strongest pixel shows.

A line of width w under an optic whose edges spread by a Gaussian of σ shows erf(w / (2 √2 σ)) of its colour in its
middle, the rest is ground. How wide it is follows from what another small blur takes from it, σ from the picture's own
sharp edges: from one pixel to the next but one across its middle a step rises by erf(1 / (√2 σ)) of its height. Where
there is no such edge, σ is taken small, so that lines are rather left too full than made too thin.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import erf, erfinv

Plane = NDArray[np.float32]

FINE_PX, SOFT_PX = 0.7, 1.4  # Gaussians that are compared
EDGE_SIDE_PX = 11  # window in which a step is looked for
MOST_RISE = 0.98  # of a step, within a px either side
LEAST_STEP = 0.12  # of the code range
MIDDLE, EVEN = 0.2, 0.06  # of a step: how near to half its height a pixel, and the window's mean, lie
SHARP_QUANTILE, LEAST_EDGES = 75.0, 60
USUAL_EDGE_PX = 0.5  # where the picture shows no edge
LEAST_SHARE = 0.4
WIDEST_PX, WIDTH_STEPS = 8.0, 400


def steepness(off: Plane) -> Plane:
    """1 / σ in px of the steps that a picture shows, (n,). `off` : distance from the ground, (h, w), codes."""
    window = np.ones((EDGE_SIDE_PX, EDGE_SIDE_PX), np.uint8)
    high, low = cv2.dilate(off, window), cv2.erode(off, window)
    step = high - low
    middle = (high + low) / 2
    use = (step > LEAST_STEP) & (np.abs(off - middle) < MIDDLE * step)
    use &= np.abs(cv2.blur(off, (EDGE_SIDE_PX, EDGE_SIDE_PX)) - middle) < EVEN * step
    rows, columns = (at + 1 for at in np.nonzero(use[1:-1, 1:-1]))
    risen = [
        np.abs(off[rows + dy, columns + dx] - off[rows - dy, columns - dx]) / step[rows, columns]
        for dy, dx in ((0, 1), (1, 0))
    ]
    return np.asarray(math.sqrt(2) * np.hypot(*(erfinv(np.minimum(one, MOST_RISE)) for one in risen)), np.float32)


def edge_sigma(steep: NDArray[np.float32]) -> float:
    """σ in px of a picture's sharp edges, from `steepness` of it blurred by FINE_PX; that blur is in it."""
    if len(steep) < LEAST_EDGES:
        return math.hypot(USUAL_EDGE_PX, FINE_PX)
    return max(1 / float(np.percentile(steep, SHARP_QUANTILE)), FINE_PX)


def peak_share(softened: NDArray[np.floating], sigma: float) -> NDArray[np.float32]:
    """Share of a line's own colour in its middle. `softened` : what SOFT_PX leaves of what FINE_PX shows there, 0..1.

    sigma : of edges blurred by FINE_PX.
    """
    width = np.linspace(0.02, WIDEST_PX, WIDTH_STEPS)
    fine, soft = (
        erf(width / (2 * math.sqrt(2) * s)) for s in (sigma, math.hypot(sigma, math.sqrt(SOFT_PX**2 - FINE_PX**2)))
    )
    own = math.sqrt(max(sigma**2 - FINE_PX**2, 1e-4))
    share = erf(width / (2 * math.sqrt(2) * own))
    return np.maximum(np.interp(softened, soft / fine, share), LEAST_SHARE).astype(np.float32)
