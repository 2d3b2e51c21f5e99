"""Resolutions as the exact fractions that a TIFF holds."""

from __future__ import annotations

import math
from fractions import Fraction

LARGEST = 2**32 - 1  # both halves of a RATIONAL are 32-bit (TIFF 6.0, section 2, types)
LARGEST_DENOMINATOR = 1_000_000


def ppi_fraction(ppi: float) -> Fraction:
    """The closest fraction to `ppi` with a denominator of at most a million and a numerator that fits 32 bits.

    600.0 gives 600/1. Raises ValueError unless `ppi` is a positive number that a RATIONAL can hold.
    """
    if not math.isfinite(ppi) or not 1 / LARGEST_DENOMINATOR <= ppi <= LARGEST:
        raise ValueError(f"{ppi} pixels per inch cannot be written")
    return Fraction(ppi).limit_denominator(max(1, min(LARGEST_DENOMINATOR, int(LARGEST / ppi) - 1)))
