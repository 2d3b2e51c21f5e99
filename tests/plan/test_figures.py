"""Pixels, bytes and prints."""

from __future__ import annotations

import pytest

from stitch.model.geometry import Size
from stitch.model.plan import Bed
from stitch.plan.figures import largest_prints, picture_bytes, print_need, scan_size, sharp_from_mm, usual_dpi
from stitch.plan.grid import Wanted
from stitch.plan.make import make_plan
from stitch.plan.words import edge, inches

INCH = 25.4


def test_sizes_of_a_usual_bed_and_of_24_by_36_inches() -> None:
    plan = make_plan(Wanted(24 * INCH, 36 * INCH, Bed(216, 297)), dpi=600)
    assert scan_size(plan) == Size(5102, 7016)
    assert picture_bytes(Size(14400, 21600), 16) == 1_866_240_000
    prints = {(one.dpi, one.enlarged): one for one in largest_prints(plan)}
    assert prints[300, 1].width_mm == pytest.approx(48 * INCH)
    assert prints[200, 1].height_mm == pytest.approx(108 * INCH)
    assert prints[300, 2].width_mm == pytest.approx(96 * INCH)


@pytest.mark.parametrize(("dpi", "sharp_inches"), [(300, 11.459), (3437.75, 1.0), (150, 22.918)])
def test_the_viewing_distance_is_that_of_one_minute_of_arc(dpi: float, sharp_inches: float) -> None:
    assert sharp_from_mm(dpi) / INCH == pytest.approx(sharp_inches, abs=0.001)


def test_an_enlargement_asks_for_more_dpi() -> None:
    need = print_need((610, 914), (1016, 1524), 300)
    assert need.times == pytest.approx(1524 / 914) and need.needed_dpi == pytest.approx(500.2, abs=0.1)
    assert usual_dpi(need.needed_dpi) == 600
    lying = print_need((914, 610), (1016, 1524), 300)
    assert lying.needed_dpi == pytest.approx(need.needed_dpi)
    assert print_need((100, 100), (200, 300), 300).trimmed_mm == pytest.approx(100)
    assert usual_dpi(9600) is None


@pytest.mark.parametrize(
    ("length_mm", "told"),
    [(0.5, "0 in"), (3.175, "1/8 in"), (25.4, "1 in"), (141.3, "5 9/16 in"), (-141.3, "5 9/16 in"), (25.3, "1 in")],
)
def test_inches_are_to_the_sixteenth(length_mm: float, told: str) -> None:
    assert inches(length_mm) == told


def test_edges_in_words() -> None:
    assert [edge(place) for place in (5.0, -130.25, 0.0)] == ["5 mm inside", "130.2 mm over", "flush"]
