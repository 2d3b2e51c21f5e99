"""Memory that a room has finished with goes back to the system."""

import subprocess
import sys

import pytest

CHILD = """
import os, threading
import numpy as np
from stitch.pipeline.memory import give_back

def resident_mb():
    with open("/proc/self/statm") as file:
        return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6

def work():
    pieces = [np.ones(15_000) for _ in range(2_000)]  # too small to be mapped one by one
    pieces[:-1] = [None] * (len(pieces) - 1)
    kept.append(pieces[-1])

kept = []
for _ in range(2):
    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
before = resident_mb()
give_back()
print(before, resident_mb())
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="resident size is read from /proc")
def test_pages_that_nothing_uses_are_handed_back() -> None:
    done = subprocess.run([sys.executable, "-c", CHILD], capture_output=True, text=True, check=True)
    before, after = (float(word) for word in done.stdout.split())
    assert before - after > 100
