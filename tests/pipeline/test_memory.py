"""The memory budget where scans are placed: fewer threads, or a refusal that names what would do."""

from __future__ import annotations

import re
import subprocess
import sys

import pytest

from stitch.errors import UsageError
from stitch.model.geometry import Size
from stitch.pipeline.small_copies import BASE_MB, LONG_SIDES_PX, MOST_MEGAPIXELS, feature_threads, long_side_px
from stitch.register.features import peak_mb
from stitch.register.reduced import REDUCED_LONG_SIDE_PX, factor_for

SMALL = Size(1000, 1200)


def test_threads_are_as_many_as_fit() -> None:
    small = [SMALL] * 4
    assert [feature_threads(small, memory, 8) for memory in (700, 1000, 2000, 8000)] == [1, 1, 3, 8]
    assert feature_threads(small, 8000, 3) == 3


def test_too_little_memory_is_refused_with_what_would_do() -> None:
    with pytest.raises(UsageError, match="300 MB of memory is too little") as caught:
        feature_threads([SMALL] * 4, 300, 2)
    least = int(re.findall(r"--memory (\d+)", caught.value.advice)[0])
    assert least > BASE_MB + peak_mb(SMALL)
    assert feature_threads([SMALL] * 4, least, 2) == 1
    with pytest.raises(UsageError):
        feature_threads([SMALL] * 4, least - 1, 2)


@pytest.mark.parametrize(("count", "scan"), [(12, Size(5000, 7000)), (48, Size(3000, 3000)), (60, Size(5100, 7000))])
def test_small_copies_of_any_set_fit_into_a_gigabyte(count: int, scan: Size) -> None:
    side_px = long_side_px([scan] * count, 1000)
    factor = factor_for(scan, side_px)
    small = [Size(scan.width_px // factor, scan.height_px // factor)] * count
    assert feature_threads(small, 1000, 2) >= 1
    assert max(small[0].width_px, small[0].height_px) >= 600  # enough for features
    assert long_side_px([scan] * count, 8000) >= side_px


def test_many_scans_have_smaller_copies_however_much_memory_there_is() -> None:
    """The search for features takes as long as all of them together are large."""
    scan = Size(3000, 2900)
    chosen = {count: long_side_px([scan] * count, 100_000) for count in (2, 12, 24, 36, 48, 60)}
    assert chosen[2] == chosen[12] == REDUCED_LONG_SIDE_PX
    assert sorted(chosen.values(), reverse=True) == list(chosen.values())
    for count, side_px in chosen.items():
        factor = factor_for(scan, side_px)
        assert count * (scan.width_px // factor) * (scan.height_px // factor) <= MOST_MEGAPIXELS * 1e6


def test_little_memory_makes_copies_smaller_but_never_smaller_than_features_need() -> None:
    assert long_side_px([SMALL] * 12, 400) <= long_side_px([SMALL] * 12, 1000)
    assert long_side_px([Size(3000, 2900)] * 60, 1) == LONG_SIDES_PX[-1]


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
        "print((peak() - before) * 1024 / 1e6, peak_mb(copy.size))\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    measured, reckoned = map(float, done.stdout.split())
    assert 0.5 * reckoned < measured < 1.1 * reckoned
