"""How many cores a run may use."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

import cv2


@contextlib.contextmanager
def at_most(jobs: int) -> Iterator[None]:
    """Within this, OpenCV's own threads are no more than `jobs` either; 0: as many as it likes."""
    before = cv2.getNumThreads()
    if jobs:
        cv2.setNumThreads(jobs)
    try:
        yield
    finally:
        cv2.setNumThreads(before)
