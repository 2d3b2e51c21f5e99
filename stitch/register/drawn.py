"""Drawn lines: what turned scans of a work without colour can be compared in.

Under a lamp from one side the paper's tooth shades both ways, lighter and darker, and reads inverted when the sheet is
turned; a drawn line is only ever darker, and by more. What is darker than its surroundings by several times what the
tooth makes lighter is taken for drawn. Raw luminance is not used: granulation follows the tooth and drags a match of
turned scans by a pixel and more at a high correlation.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stitch.register.evidence import DARK_FLOOR, blurred, raw_signal
from stitch.register.reduced import Reduced

Picture = NDArray[np.float32]

SIGMAS_PX = (1.0, 6.0)
COLOUR_BLUR_PX = 3.0
COLOUR = 0.03  # of log-chroma: drawings and blank paper stay at 0.01, painted pieces reach 0.18 (measured, simulated)
ABOVE_TOOTH = 2.5  # times the root mean square of what is lighter than its surroundings


def has_colour(scan: Reduced) -> bool:
    """Whether one place in twenty or more differs in colour from what most of the scan shows."""
    chroma = blurred(raw_signal(scan.rgb, 90), COLOUR_BLUR_PX)[::4, ::4]
    return float(np.percentile(np.abs(chroma - np.median(chroma)), 95)) > COLOUR


def log_grey(rgb: Picture) -> Picture:
    """Weighted mean of the logarithms of encoded RGB, (h, w)."""
    return np.asarray(np.log(np.maximum(rgb, DARK_FLOOR)) @ np.array([0.3, 0.6, 0.1], dtype=np.float32))


def lines_of(log_grey: Picture, tooth: float | None = None) -> Picture:
    """How far each px is darker than its surroundings beyond what tooth explains, (h, w), 0 elsewhere.

    `tooth` is the contrast of the paper, from `tooth_of`; None takes it from this very picture.
    """
    band = blurred(log_grey, SIGMAS_PX[0]) - blurred(log_grey, SIGMAS_PX[1])
    floor = ABOVE_TOOTH * (tooth_of(log_grey) if tooth is None else tooth)
    return np.asarray(np.maximum(-band - floor, 0), dtype=np.float32)


def tooth_of(log_grey: Picture) -> float:
    """Root mean square of what is lighter than its surroundings: no line is."""
    band = blurred(log_grey, SIGMAS_PX[0]) - blurred(log_grey, SIGMAS_PX[1])
    lighter = band[band > 0]
    return float(np.sqrt(np.square(lighter).mean())) if lighter.size else 0.0


FINE_SIGMAS_PX = (0.7, 3.0)
MEDIAN_OF_TOOTH = 0.6745  # of the lighter half of what is spread normally, in its root mean square


def fine_lines_of(log_grey: Picture, tooth: float) -> Picture:
    """The same as `lines_of` at full resolution: the finer the lines, the less granulation moves them, (h, w)."""
    band = blurred(log_grey, FINE_SIGMAS_PX[0]) - blurred(log_grey, FINE_SIGMAS_PX[1])
    return np.asarray(np.maximum(-band - ABOVE_TOOTH * tooth, 0), dtype=np.float32)


def fine_tooth_of(log_grey: Picture) -> float:
    """What `tooth_of` is to `lines_of`, from the median.

    The light rims of lines make it come out too large: by 0.4 times its size where lines cover a thirtieth of the
    picture, by several times in dense hatching. Then only the boldest lines are compared.
    """
    band = blurred(log_grey, FINE_SIGMAS_PX[0]) - blurred(log_grey, FINE_SIGMAS_PX[1])
    lighter = band[band > 0]
    return float(np.median(lighter)) / MEDIAN_OF_TOOTH if lighter.size else 0.0
