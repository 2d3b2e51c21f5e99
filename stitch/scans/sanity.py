"""Checks of what a file claims, made before any memory or disk is taken for it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stitch.model.geometry import Size
from stitch.scans.trouble import unusable

SIDE_LIMIT_PX = 400_000  # 16 m at 600 dpi
WHOLE_DECODE_LIMIT_BYTES = 1_000_000_000  # for what can only be decoded in one piece

# Most bytes that one compressed byte can stand for.
EXPANSION = {
    "none": 1.0,
    "packbits": 64.0,  # a run of 128 from 2 bytes: TIFF 6.0 section 9
    "deflate": 1040.0,  # 258 bytes from 2 bits: RFC 1951; 1032 is the limit known for zlib
    "lzw": 2800.0,  # codes of 12 bits for strings of up to 4 kB: TIFF 6.0 section 13
    "zstd": 44_000.0,  # a block of 128 kB repeated from 3 bytes and a header: RFC 8878 section 3.1.1.2
    "jpeg": 3000.0,  # no limit in the standard; flat colour, optimised and progressive, reaches 510 (measured)
}
SLACK_BYTES = 4096


def check_size(path: Path, size: Size) -> None:
    """Refuse sizes of nothing, and sides no flatbed gives."""
    if min(size.width_px, size.height_px) < 1:
        raise unusable(path, "holds no pixels")
    if max(size.width_px, size.height_px) > SIDE_LIMIT_PX:
        raise unusable(path, f"claims {size.width_px:,} × {size.height_px:,} pixels, more than is believable")


def check_claim(path: Path, compression: str, decoded: NDArray[Any], encoded: NDArray[Any]) -> None:
    """Refuse a file whose bytes cannot hold the pixels it claims. Arrays: bytes of each segment."""
    if (decoded > encoded * EXPANSION[compression] + SLACK_BYTES).any():
        total = float(np.sum(decoded)) / 1e6
        raise unusable(path, f"claims {total:,.0f} MB of pixels that so small a file cannot hold")


def check_whole_decode(path: Path, byte_count: int) -> None:
    """Refuse what would have to be decoded in one piece and is too large for that."""
    if byte_count > WHOLE_DECODE_LIMIT_BYTES:
        raise unusable(
            path,
            f"can only be decoded in one piece, which takes {byte_count / 1e6:,.0f} MB of memory",
            "Save it again as a TIFF without compression.",
        )
