"""Strips shared by neighbours."""

import numpy as np
import pytest

from stitch.check.overlaps import strips


def box(x: float, y: float, width: float = 200.0, height: float = 280.0) -> np.ndarray:
    return np.array([[x, y], [x + width, y], [x + width, y + height], [x, y + height]])


@pytest.mark.parametrize(("shift", "is_thin"), [(160.0, False), (188.0, True)])
def test_a_strip_is_as_wide_as_what_both_show(shift: float, is_thin: bool) -> None:
    (strip,) = strips({"A": box(0, 0), "B": box(shift, 4)})
    assert strip.width_mm == pytest.approx(200 - shift)
    assert strip.is_thin is is_thin


def test_corners_and_gaps_are_no_strips() -> None:
    assert strips({"A": box(0, 0), "B": box(190, 270)}) == []
    assert strips({"A": box(0, 0), "B": box(205, 0)}) == []


def test_what_a_third_scan_shows_need_not_be_wide() -> None:
    found = strips({"A": box(0, 0), "B": box(95, 0), "C": box(190, 0)})
    assert {(one.scan_a, one.scan_b) for one in found} == {("A", "B"), ("B", "C")}
    assert not any(one.is_thin for one in found)
