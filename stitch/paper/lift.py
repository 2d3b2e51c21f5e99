"""The paper lifted to a white, and everything that is paint left as it is; pale washes go from one to the other.

All of it happens on the logarithm of linear light, channel by channel with one share of paint c for all three, so that
a wash keeps its hue: ln out = ln light + (1 − c) · (ln white − ln paper). A pale wash thus stays as much darker
than the white as it was darker than the paper. The paper's own tooth is evened out where nothing else is seen.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stitch.imaging.cell_light import LEAST_LIGHT
from stitch.imaging.colour import Encoding, Float32Array
from stitch.model.geometry import Window
from stitch.paper.cover import LOG10, Reading, densities, paint_cover
from stitch.paper.tone import PaperTone

HEADROOM = 0.5  # of the tooth's depth, left above its mean when texture is kept


@dataclass(frozen=True, slots=True)
class Wish:
    """What is asked for. `white` : linear light of the white, the same in all channels. `strength` : 0..1."""

    white: float
    strength: float
    keeps_texture: bool


@dataclass(frozen=True, slots=True, eq=False)
class Lifter:
    """Lifts windows of a picture; every pixel comes out the same whatever window it is asked in."""

    paper: PaperTone
    reading: Reading
    encoding: Encoding
    wish: Wish
    ppi: float

    def lifted(
        self, codes: NDArray[np.uint8] | NDArray[np.uint16], window: Window
    ) -> tuple[NDArray[np.uint8] | NDArray[np.uint16], Float32Array]:
        """Codes of a window and how far each pixel was taken to the white, 0..1 (h, w); paint's codes are untouched."""
        density = densities(codes, self.paper, self.encoding, window)
        cover = paint_cover(density, self.reading, self.ppi)
        share = np.float32(self.wish.strength) * (1 - cover.paint)
        log_paper = self.paper.log_at(window)
        log_white = np.float32(np.log(max(self.wish.white, LEAST_LIGHT)))
        below = density * np.float32(1 / LOG10)
        if self.wish.keeps_texture:
            log_white = log_white - np.float32(HEADROOM * self.reading.fine.floor / LOG10)
        else:
            below = below * (1 - np.float32(self.wish.strength) * (1 - cover.shown))[..., None]
        mixed = np.exp(log_paper + share[..., None] * (log_white - log_paper) - below)
        made = self.encoding.encode_to_codes(mixed, codes.dtype.itemsize * 8)
        return np.where(share[..., None] > 0, made, codes), share
