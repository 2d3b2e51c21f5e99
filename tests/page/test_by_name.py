"""Names of scans tell where they lie, or nothing."""

from __future__ import annotations

import pytest

from stitch.page.by_name import by_name


@pytest.mark.parametrize(
    "names",
    [
        ["A1", "A2", "B1", "B2"],
        ["moon-A1", "moon-A2", "moon-B1", "moon-B2"],
        ["leaf r1c1", "leaf r1c2", "leaf r2c1", "leaf r2c2"],
        ["harbour 3-4", "harbour 3-5", "harbour 4-4", "harbour 4-5"],
    ],
)
def test_rows_and_columns(names: list[str]) -> None:
    guess = by_name(names)
    assert guess.is_grid
    assert [guess.cells[name] for name in names] == [(0, 0), (1, 0), (0, 1), (1, 1)]
    assert guess.neighbours(names[0]) == [names[1], names[2]]


def test_the_order_of_scanning() -> None:
    guess = by_name(["scan007", "scan008", "scan010"])
    assert not guess.is_grid
    assert guess.neighbours("scan008") == ["scan007"]
    assert guess.neighbours("scan010") == []


@pytest.mark.parametrize("names", [["left", "right"], ["A1", "A2", "detail"], ["A1", "a1"], ["moon 1", "sun 2"]])
def test_names_that_tell_nothing(names: list[str]) -> None:
    guess = by_name(names)
    assert guess.cells == {}
    assert guess.neighbours(names[0]) == []
