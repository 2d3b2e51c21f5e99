"""The memory budget where scans are placed: fewer threads, or a refusal that names what would do."""

from __future__ import annotations

import re
import subprocess
import sys

import numpy as np
import pytest

from stitch.errors import UsageError
from stitch.model.geometry import Size
from stitch.pipeline.placing import BASE_MB, _feature_threads
from stitch.register.features import peak_mb
from stitch.register.reduced import Reduced


def copies(count: int, width: int = 1000, height: int = 1200) -> dict[str, Reduced]:
    codes = np.zeros((height, width, 3), np.uint16)
    return {f"s{n}": Reduced(f"s{n}", codes, 4, Size(4 * width, 4 * height)) for n in range(count)}


def test_threads_are_as_many_as_fit() -> None:
    small = copies(4)
    assert [_feature_threads(small, memory, 8) for memory in (700, 1000, 2000, 8000)] == [1, 1, 3, 8]
    assert _feature_threads(small, 8000, 3) == 3


def test_too_little_memory_is_refused_with_what_would_do() -> None:
    with pytest.raises(UsageError, match="300 MB of memory is too little") as caught:
        _feature_threads(copies(4), 300, 2)
    least = int(re.findall(r"--memory (\d+)", caught.value.advice)[0])
    assert least > BASE_MB + peak_mb(copies(1)["s0"])
    assert _feature_threads(copies(4), least, 2) == 1
    with pytest.raises(UsageError):
        _feature_threads(copies(4), least - 1, 2)


@pytest.mark.skipif(sys.platform != "linux", reason="measured as Linux tells it")
def test_a_search_for_features_stays_within_what_is_reckoned_for_it() -> None:
    script = (
        "import cv2, numpy as np\n"
        "from stitch.model.geometry import Size\n"
        "from stitch.register.features import detect, peak_mb\n"
        "from stitch.register.reduced import Reduced\n"
        "noise = (np.random.default_rng(0).random((200, 180, 3)) * 65535).astype(np.uint16)\n"
        "copy = Reduced('a', cv2.resize(noise, (720, 800), interpolation=cv2.INTER_CUBIC), 4, Size(2880, 3200))\n"
        "def peak():  # of this program alone, not of the one that started it; proc(5), VmHWM in kB\n"
        "    return next(int(line.split()[1]) for line in open('/proc/self/status') if line.startswith('VmHWM'))\n"
        "before = peak()\n"
        "detect(copy)\n"
        "print((peak() - before) * 1024 / 1e6, peak_mb(copy))\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    measured, reckoned = map(float, done.stdout.split())
    assert 0.5 * reckoned < measured < 1.1 * reckoned
