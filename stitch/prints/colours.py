"""Colours of the master as colours of the print's profile, through LittleCMS."""

from __future__ import annotations

import functools
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitch.imaging.colour import Encoding, delta_e_2000
from stitch.model.prints import Intent

BLACK_POINT_COMPENSATION = 0x2000  # cmsFLAGS_BLACKPOINTCOMPENSATION, lcms2.h
NO_CACHE = 0x0040  # cmsFLAGS_NOCACHE: one transform is used by several threads
NO_OPTIMIZE = 0x0100  # cmsFLAGS_NOOPTIMIZE: 16-bit codes else go through a table of 33 steps, up to 25 codes of 255 off
OUT_OF_GAMUT_DE00 = 1.0  # a colour that comes back farther off than this cannot be printed by the profile
_FIXED_DATE = bytes([7, 208, 0, 1, 0, 1, 0, 0, 0, 0, 0, 0])  # 2000-01-01, so that equal files are equal


_NUMBER = {Intent.PERCEPTUAL: 0, Intent.RELATIVE: 1, Intent.SATURATION: 2, Intent.ABSOLUTE: 3}


@functools.lru_cache(maxsize=1)
def srgb_profile() -> bytes:
    """An sRGB profile (IEC 61966-2-1), the same bytes every time."""
    from PIL import ImageCms

    profile = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    profile[24:36] = _FIXED_DATE
    return bytes(profile)


def converted(
    codes: NDArray[Any], profile: bytes, to: bytes, intent: Intent, bits: int, *, compensates: bool = True
) -> NDArray[Any]:
    """Codes (h, w, 3), uint8 or uint16, in another RGB profile, as uint8 or uint16."""
    import imagecodecs

    flags = NO_CACHE | NO_OPTIMIZE | (BLACK_POINT_COMPENSATION if compensates and intent is Intent.RELATIVE else 0)
    return np.asarray(
        imagecodecs.cms_transform(
            np.ascontiguousarray(codes),
            profile,
            to,
            colorspace="rgb",
            outcolorspace="rgb",
            outdtype={8: "u1", 16: "u2"}[bits],
            intent=_NUMBER[intent],
            flags=flags,
        )
    )


def out_of_gamut(codes: NDArray[np.uint16], profile: bytes, to: bytes) -> float:
    """Share of colours (h, w, 3) that the other profile cannot hold: moved by more than ΔE2000 1."""
    there = converted(codes, profile, to, Intent.RELATIVE, 16, compensates=False)
    before = Encoding.of_profile(profile).lab(codes / 65535.0)
    after = Encoding.of_profile(to).lab(there / 65535.0)
    return float(np.mean(delta_e_2000(before, after) > OUT_OF_GAMUT_DE00))
