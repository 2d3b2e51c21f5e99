"""What is said of the ties of a pair: where they were moved, how far off they are, which one contradicts."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from stitch.model.ties import Tie, TieBook
from stitch.ties.book import BOOK_NAME, read_book, write_book
from tests.page.conftest import RIGHT_PX
from tests.page.visitor import Visitor


def right_ties(rng: np.random.Generator, count: int, sigma_px: float) -> list[Tie]:
    """Ties of A1 and A2, well spread, set by a hand that is not quite steady."""
    xs, ys = rng.uniform(330, 410, count), np.linspace(30, 430, count) + rng.uniform(-20, 20, count)
    off = sigma_px * rng.standard_normal((count, 2))
    return [
        Tie("A1", (float(x), float(y)), "A2", (float(x - RIGHT_PX + dx), float(y + dy)))
        for x, y, (dx, dy) in zip(xs, ys, off, strict=True)
    ]


@pytest.mark.parametrize("seed", range(12))
def test_one_wrong_among_five_is_named(visitor: Visitor, job: Path, seed: int) -> None:
    rng = np.random.default_rng(seed)
    ties = right_ties(rng, 5, 1.0)
    wrong, way = int(rng.integers(5)), rng.uniform(0, 2 * np.pi)
    x, y = ties[wrong].b_px
    away = rng.uniform(30, 60)
    x, y = min(max(x + away * np.cos(way), 0.0), 419.0), min(max(y + away * np.sin(way), 0.0), 459.0)
    if np.hypot(x - ties[wrong].b_px[0], y - ties[wrong].b_px[1]) < 20:
        x = ties[wrong].b_px[0] + 30.0
    ties[wrong] = Tie("A1", ties[wrong].a_px, "A2", (float(x), float(y)))
    write_book(job / BOOK_NAME, TieBook(ties=tuple(ties)))
    shown = visitor.see("pair/0/1")["ties"]
    assert [bool(tie["doubt"]) for tie in shown] == [number == wrong for number in range(5)]
    assert shown[wrong]["residual_px"] > 10
    assert max(tie["residual_px"] for number, tie in enumerate(shown) if number != wrong) < 6
    assert (visitor.see("state")["wanted"][0]["a"], visitor.see("state")["wanted"][0]["b"]) == (0, 1)


@pytest.mark.parametrize("seed", range(3))
def test_right_ties_are_not_doubted(visitor: Visitor, job: Path, seed: int) -> None:
    write_book(job / BOOK_NAME, TieBook(ties=tuple(right_ties(np.random.default_rng(seed), 5, 1.0))))
    pair = visitor.see("pair/0/1")
    assert [tie["doubt"] for tie in pair["ties"]] == [""] * 5
    for tie in pair["ties"]:
        assert tie["residual_mm"] == pytest.approx(tie["residual_px"] * 25.4 / 200)


def test_a_tie_whose_surroundings_do_not_agree_stays_where_it_was_set(visitor: Visitor, job: Path) -> None:
    visitor.change(do="tie", a=4, b=3, a_px=[200.0, 230.0], b_px=[210.5, 200.25], turn_deg=0)
    (tie,) = read_book(job / BOOK_NAME, ["A1", "A2", "B1", "B2", "B3"]).ties
    assert tie.b_px == (210.5, 200.25)
    (shown,) = visitor.see("pair/4/3")["ties"]
    assert (shown["agrees"], shown["moved_px"]) == (False, 0.0)
    assert shown["said"]


def test_how_well_a_pair_is_held_is_said_in_words(visitor: Visitor, job: Path) -> None:
    ties = right_ties(np.random.default_rng(7), 4, 0.3)
    said = []
    for count in range(5):
        write_book(job / BOOK_NAME, TieBook(ties=tuple(ties[:count])))
        said.append(visitor.see("pair/0/1")["pinned"])
    assert len(set(said[:4])) == 4
    assert all(words.endswith(".") for words in said)
