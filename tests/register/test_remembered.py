"""Patches of an earlier run are taken again where they were looked for, and nowhere else."""

from __future__ import annotations

import numpy as np
import pytest

from stitch.imaging.placed_map import PlacedMap
from stitch.model.geometry import Size
from stitch.model.store import Arrays
from stitch.register.evidence import Signal
from stitch.register.patches import Measured, Side
from stitch.register.plan import Grain
from stitch.register.remembered import NEARLY_PX, ROUGHLY_PX, Remembered

SIZE = Size(400, 300)
SPARSE, DENSE = Grain(4), Grain(0, 48, (24, 24))
KEYS = {"A1": "one", "A2": "two"}


class Shelf:
    """A store in memory."""

    def __init__(self) -> None:
        self.content: dict[str, Arrays] = {}

    def arrays(self, key: str, make: object) -> Arrays:
        raise NotImplementedError

    def held(self, key: str) -> Arrays | None:
        return self.content.get(key)

    def keep(self, key: str, arrays: Arrays) -> None:
        self.content[key] = arrays


def side(name: str, x: float, spots: int = 0) -> Side:
    matrix = np.array([[1.0, 0.0, x], [0.0, 1.0, 0.0]])
    return Side(name, None, PlacedMap(matrix, SIZE), np.full((spots, 3), 9.0))  # type: ignore[arg-type]


def some(a: str = "A1", b: str = "A2") -> Measured:
    rng = np.random.default_rng(4)
    points = rng.uniform(300, 390, (7, 2))
    held = np.arange(7) % 4 == 0
    covariance = np.broadcast_to(np.eye(2), (7, 2, 2))
    return Measured(a, b, points, points - [300, 0], covariance, held, ~held, held, 9, 8, 1, Signal.DRAWN_LINES)


def after_a_run(measured: Measured) -> Shelf:
    shelf = Shelf()
    first = Remembered(shelf, KEYS)
    first.note(side("A1", 0), side("A2", 300), SPARSE, measured)
    assert first.near(side("A1", 0), side("A2", 300), SPARSE, ROUGHLY_PX) is None  # not within the run that made them
    first.save()
    return shelf


@pytest.mark.parametrize("names", [("A1", "A2"), ("A2", "A1")])
def test_everything_comes_back(names: tuple[str, str]) -> None:
    measured = some(*names)
    found = Remembered(after_a_run(measured), KEYS).near(side("A1", 0), side("A2", 300), SPARSE, NEARLY_PX)
    assert found is not None
    for name in Measured.__dataclass_fields__:
        np.testing.assert_array_equal(getattr(found, name), getattr(measured, name))


def test_both_scans_moved_together_are_where_they_were() -> None:
    shelf = after_a_run(some())
    assert Remembered(shelf, KEYS).near(side("A1", 70), side("A2", 370), SPARSE, NEARLY_PX) is not None


@pytest.mark.parametrize(
    ("off", "limit", "is_near"), [(0.09, NEARLY_PX, True), (0.11, NEARLY_PX, False), (2.9, 3, True)]
)
def test_a_scan_that_moved_is_measured_again(off: float, limit: float, is_near: bool) -> None:
    found = Remembered(after_a_run(some()), KEYS).near(side("A1", 0), side("A2", 300 + off), SPARSE, limit)
    assert (found is not None) == is_near


def test_other_pixels_spots_or_plans_are_measured_again() -> None:
    shelf = after_a_run(some())
    a, b = side("A1", 0), side("A2", 300)
    assert Remembered(shelf, {**KEYS, "A2": "new"}).near(a, b, SPARSE, 3) is None
    assert Remembered(shelf, KEYS).near(a, side("A2", 300, spots=1), SPARSE, 3) is None
    assert Remembered(shelf, KEYS).near(a, b, DENSE, 3) is None
    assert Remembered(shelf, {}).near(a, b, SPARSE, 3) is None
