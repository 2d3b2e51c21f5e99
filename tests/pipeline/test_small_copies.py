"""How large the small copies are: as memory and time allow."""

from __future__ import annotations

import pytest

from stitch.errors import UsageError
from stitch.model.geometry import Size
from stitch.pipeline.small_copies import LONG_SIDES_PX, MOST_MEGAPIXELS, feature_threads, long_side_px
from stitch.register.reduced import REDUCED_LONG_SIDE_PX, factor_for

SCAN = Size(3000, 2900)


def megapixels(count: int, side_px: int) -> float:
    factor = factor_for(SCAN, side_px)
    return count * (SCAN.width_px // factor) * (SCAN.height_px // factor) / 1e6


def test_a_few_scans_have_the_usual_copies_and_many_smaller_ones_however_much_memory_there_is() -> None:
    chosen = {count: long_side_px([SCAN] * count, 100_000) for count in (2, 12, 24, 36, 48, 60)}
    assert chosen[2] == chosen[12] == REDUCED_LONG_SIDE_PX
    assert sorted(chosen.values(), reverse=True) == list(chosen.values())
    assert all(megapixels(count, side) <= MOST_MEGAPIXELS for count, side in chosen.items())


def test_little_memory_makes_them_smaller_too_but_never_smaller_than_features_need() -> None:
    assert long_side_px([SCAN] * 12, 260) < REDUCED_LONG_SIDE_PX
    assert long_side_px([SCAN] * 60, 1) == LONG_SIDES_PX[-1]


def test_as_many_threads_look_for_features_as_the_memory_has_room_for() -> None:
    small = [Size(1200, 1160)] * 12
    assert feature_threads(small, 100_000, 8) == 8
    assert 1 <= feature_threads(small, 900, 8) < 8
    with pytest.raises(UsageError, match="too little"):
        feature_threads(small, 200, 2)
