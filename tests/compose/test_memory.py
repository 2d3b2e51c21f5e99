"""Peak resident size of a child process that cuts and composes, against the budget it was given."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

pytest.importorskip("resource")
CHILD = Path(__file__).with_name("large_canvas.py")


def peak_mb(memory_mb: int, columns: int, rows: int, how: str) -> tuple[int, int]:
    arguments = [sys.executable, str(CHILD), str(memory_mb), str(columns), str(rows), how]
    done = subprocess.run(arguments, capture_output=True, text=True, check=True, cwd=CHILD.parents[2])
    megapixels, peak = done.stdout.split()
    return int(megapixels), int(peak)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("memory_mb", "columns", "rows", "how"),
    [(500, 2, 2, "usual"), (1000, 2, 2, "usual"), (1000, 4, 2, "usual"), (500, 2, 2, "fine"), (1000, 2, 2, "fine")],
)
def test_the_peak_stays_below_the_budget(memory_mb, columns, rows, how):
    megapixels, peak = peak_mb(memory_mb, columns, rows, how)
    assert megapixels >= 70
    assert peak <= memory_mb
