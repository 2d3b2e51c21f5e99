"""How fast this computer is: a test of about a second, so that the time of a join can be told beforehand."""

from __future__ import annotations

import os
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

WARP_S = 0.7  # for each half of the test
WRITE_S = 0.7
BAND = (512, 2048)  # rows and columns warped at once, as when a join reads by bands
CHUNK_BYTES = 8 << 20
# A whole join as a multiple of reading, warping and writing each pixel once: 6.2 (9 scans, 309 MP) to 17 (12 scans,
# 50 MP) were measured (scripts/bench_join.py); scans that need local corrections take longer than that.
JOIN_FACTORS = (6.0, 17.0)


@dataclass(frozen=True, slots=True)
class Speed:
    """Of plain work: warping once, and writing to the disk; per second."""

    warped_px: float
    written_bytes: float


def measure_speed(folder: Path) -> Speed | None:
    """Test this computer, writing a scratch file below `folder`. None where that cannot be done."""
    try:
        with tempfile.TemporaryFile(dir=folder) as file:
            return Speed(_warped_per_s(), _written_per_s(file.fileno()))
    except OSError:
        return None


def join_seconds(speed: Speed, *, scan_px: int, master_bytes: int) -> tuple[float, float]:
    """Roughly the least and the most that a join takes, when scans are read faster than the master is written."""
    plain_s = scan_px / speed.warped_px + master_bytes / speed.written_bytes
    return plain_s * JOIN_FACTORS[0], plain_s * JOIN_FACTORS[1]


def _warped_per_s() -> float:
    rows, columns = BAND
    band = np.random.default_rng(1).integers(0, 65536, (rows, columns, 3), np.uint16)
    matrix = cv2.getRotationMatrix2D((columns / 2, rows / 2), 0.4, 1.0)
    count, started = 0, time.monotonic()
    while time.monotonic() - started < WARP_S:
        cv2.warpAffine(band, matrix, (columns, rows), flags=cv2.INTER_CUBIC)
        count += 1
    return count * rows * columns / (time.monotonic() - started)


def _written_per_s(handle: int) -> float:
    chunk = np.random.default_rng(2).bytes(CHUNK_BYTES)
    written, started = 0, time.monotonic()
    while time.monotonic() - started < WRITE_S:
        written += os.write(handle, chunk)
        os.fsync(handle)
    return written / (time.monotonic() - started)
