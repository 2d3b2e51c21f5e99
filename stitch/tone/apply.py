"""The tone match as a look-up table of codes.

The arithmetic is done in linear light of the scans' own profile: exposure, lamp and amplifier act on light, so a gain
is a gain there at every tone, and the file's curve is only how the light is written down. The table goes back through
the same curve, so the profile embedded in the master stays true.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from stitch.imaging.colour import Encoding
from stitch.model.tone import ScanTone


def code_table(tone: ScanTone, encoding: Encoding, bits: int, common_scale: float = 1.0) -> NDArray[np.float32] | None:
    """Output code, 0..1 and not yet rounded, of every input code: (2**bits, 3) float32; None when nothing changes."""
    if tone.is_identity and common_scale == 1.0:
        return None
    light = encoding.decode_table(bits).astype(np.float64)
    matched = (light * np.array(tone.gain_rgb) + np.array(tone.offset_rgb)) * common_scale
    return encoding.encode(matched)
