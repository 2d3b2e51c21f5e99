"""Streaks along the carriage, and what is none."""

import numpy as np
import pytest

from stitch.check.streaks import find_streaks
from tests.register.cutting import texture


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_streak_is_found_and_paint_is_none(seed: int) -> None:
    paint = texture(300, 400, seed) * 0.6 + 0.2
    assert find_streaks((paint * 65535).astype(np.uint16)) == []
    column = 40 + 70 * seed
    paint[:, column] *= 1.05
    (streak,) = find_streaks((paint * 65535).astype(np.uint16))
    assert abs(streak.x_px - column) <= 1 and streak.step > 0


def test_a_straight_upright_edge_is_no_streak() -> None:
    codes = np.full((400, 300, 3), 20_000, np.uint16)
    codes[:, 150:] = 40_000
    assert find_streaks(codes) == []


def test_a_line_that_ends_half_way_is_no_streak() -> None:
    codes = np.full((400, 300, 3), 30_000, np.uint16)
    codes[:200, 150] = 40_000
    assert find_streaks(codes) == []
