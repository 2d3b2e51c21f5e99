"""The tone match as a look-up table of codes.

The arithmetic is done in linear light of the scans' own profile: exposure, lamp, fall-off and amplifier act on light,
so a gain is a gain there at every tone and a black level an addition, while on codes either would bend with the tone;
a gamma is a power in both. The file's curve is only how the light is written down: the table goes back through the same
one, so the profile embedded in the master stays true.

Nothing is clipped. Paper white is kept below the top by scaling everything (`white.py`); the few brighter glints of
paint that a gain would push past the top are eased under it by a shoulder that bends only the last stretch of light.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stitch.imaging.affine import FloatArray
from stitch.imaging.colour import Encoding
from stitch.model.tone import ScanTone
from stitch.tone.matched import power

KNEE = 0.97  # of the top light: below it every tone is matched exactly, paper white included
CODES_BELOW_TOP = 0.75  # light that was not clipped is kept so far below the top code that it does not round to it


def code_table(tone: ScanTone, encoding: Encoding, bits: int, common_scale: float = 1.0) -> NDArray[np.float32] | None:
    """Output code, 0..1 and not yet rounded, of every input code: (2**bits, 3) float32; None when nothing changes."""
    if tone.is_identity and common_scale == 1.0:
        return None
    matched = matched_light(tone, encoding.decode_table(bits).astype(np.float64)) * common_scale
    highest = highest_light(encoding, bits)
    for channel in range(3):
        matched[:-1, channel] = _eased(matched[:-1, channel], float(highest[channel]))
    return encoding.encode(matched)


def matched_light(tone: ScanTone, light: FloatArray) -> FloatArray:
    """Light (..., 3) of a scan, evened out where it has a field, in the tone of the reference; no common scale yet."""
    top = 1.0 if tone.field is None else np.array(tone.field.top_rgb)
    return power(light * top, np.array(tone.gamma_rgb)) * np.array(tone.gain_rgb) + np.array(tone.offset_rgb)


def light_before(tone: ScanTone, matched: FloatArray) -> FloatArray:
    """The light (..., 3) that `matched_light` turns into `matched`; 0 for what no light reaches."""
    top = 1.0 if tone.field is None else np.array(tone.field.top_rgb)
    raised = np.maximum(matched - np.array(tone.offset_rgb), 0.0) / np.array(tone.gain_rgb)
    return power(raised, 1.0 / np.array(tone.gamma_rgb)) / top


def highest_light(encoding: Encoding, bits: int) -> NDArray[np.float64]:
    """The brightest light of each channel that does not round to the top code, (3,)."""
    return encoding.decode(np.full((1, 3), 1.0 - CODES_BELOW_TOP / (2**bits - 1)))[0].astype(np.float64)


def has_shoulder(tone: ScanTone, encoding: Encoding, bits: int, common_scale: float) -> bool:
    """True when the scan's table bends its brightest tones."""
    if tone.is_identity and common_scale == 1.0:
        return False
    matched = matched_light(tone, encoding.decode_table(bits)[-2].astype(np.float64)) * common_scale
    return bool(np.any(matched > highest_light(encoding, bits)))


def _eased(light: NDArray[np.float64], highest: float) -> NDArray[np.float64]:
    """Rising light whose last stretch is bent so that it ends at `highest`; as it is when it ends below already.

    From the knee on a hyperbola: it leaves the straight line without a corner and keeps rising to the end.
    """
    knee, end = KNEE * highest, float(light[-1])
    if end <= highest:
        return light
    part = np.clip((light - knee) / (end - knee), 0.0, 1.0)
    slope = (end - knee) / (highest - knee)
    bent = knee + (highest - knee) * part * slope / (1 + (slope - 1) * part)
    return np.where(light > knee, bent, light)
