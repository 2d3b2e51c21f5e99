"""What is wanted next, most useful first, and where scans lie by their ties."""

from __future__ import annotations

import math

import numpy as np
import pytest

from stitch.imaging.affine import apply, compose, invert, rigid
from stitch.model.ties import Apart, Tie, TieBook
from stitch.page.by_name import by_name
from stitch.page.last_run import FoundLink, LastRun
from stitch.page.lying import places
from stitch.page.wanted import groups, wanted

NAMES = ["A1", "A2", "A3", "B1", "B2", "B3", "C3"]
GRID = by_name(NAMES)


def linked(*pairs: str, weak: tuple[str, ...] = ()) -> LastRun:
    both = [pair.split("-") for pair in (*pairs, *weak)]
    return LastRun({}, tuple(FoundLink(a, b, 0, f"{a}-{b}" in weak, "few patches fit") for a, b in both))


def tied(*pairs: str) -> tuple[Tie, ...]:
    both = [pair.split("-") for pair in pairs]
    return tuple(Tie(a, (float(n), 0.0), b, (float(n), 5.0)) for n, (a, b) in enumerate(both))


ALL_BUT_C3 = ("A1-A2", "A2-A3", "A1-B1", "B1-B2", "B2-B3")


NOTHING = TieBook()


def said(known: LastRun, book: TieBook = NOTHING, **more: object) -> list[tuple[str, str | None, str]]:
    found = wanted(NAMES, known, book, more.get("guess", GRID), more.get("doubtful", {}))  # type: ignore[arg-type]
    return [(one.scan_a, one.scan_b, one.said) for one in found]


def test_a_scan_without_a_link_and_what_it_probably_touches() -> None:
    ((a, b, words),) = said(linked(*ALL_BUT_C3))
    assert (a, b) == ("C3", "B3")
    assert words == "C3 has no link yet; it probably touches B3, going by the names."


def test_names_that_tell_nothing_leave_the_choice_to_her() -> None:
    ((a, b, words),) = said(linked(*ALL_BUT_C3), guess=by_name(["left", "right"]))
    assert (a, b) == ("C3", None)
    assert "pick both" in words


def test_a_pair_that_does_not_touch_is_not_proposed_and_its_link_does_not_count() -> None:
    book = TieBook(apart=(Apart("B3", "C3"), Apart("A3", "A2")))
    assert [one[:2] for one in said(linked(*ALL_BUT_C3), book)] == [("A3", "B3"), ("C3", None)]


def test_two_groups_are_bridged_once() -> None:
    known = linked("A1-A2", "A2-A3", "A3-B3", "B1-B2", "B3-C3")
    ((a, b, words),) = said(known)
    assert (a, b) == ("B1", "A1")
    assert words.startswith("B1, B2 hold together but not with the rest; B1 probably touches A1")


def test_ties_are_counted_until_they_can_be_checked() -> None:
    known = linked(*ALL_BUT_C3)
    pair = ("B3-C3",) * 3
    assert groups(NAMES, known, TieBook(ties=tied(*pair[:1]))) == [NAMES]
    assert "one tie" in said(known, TieBook(ties=tied(*pair[:1])))[0][2]
    assert "two ties" in said(known, TieBook(ties=tied(*pair[:2])))[0][2]
    assert said(known, TieBook(ties=tied(*pair))) == []


def test_the_most_useful_comes_first() -> None:
    known = linked("A1-A2", "A1-B1", "B1-B2", "B2-B3", weak=("A2-A3",))
    book = TieBook(ties=tied("A3-B3"))
    doubtful = {("A1", "A2"): ("Tie 2 disagrees.",)}
    order = [one[:2] for one in said(known, book, doubtful=doubtful)]
    assert order == [("A1", "A2"), ("C3", "B3"), ("A3", "B3"), ("A2", "A3")]
    settled = TieBook(ties=tied("A3-B3", "A3-B3", "A3-B3", "A2-A3", "A2-A3"))
    assert [one[:2] for one in said(known, settled)] == [("C3", "B3")]


@pytest.mark.parametrize("seed", range(5))
def test_ties_carry_places_on_from_scan_to_scan(seed: int) -> None:
    rng = np.random.default_rng(seed)
    ppi = {"A1": 300.0, "A2": 150.0, "A3": 300.0}
    canvas = {
        name: rigid(rng.uniform(-math.pi, math.pi), *rng.uniform(-500, 500, 2), scale=300.0 / ppi[name]) for name in ppi
    }
    points = rng.uniform(0, 900, (3, 2))
    ties = []
    for a, b in (("A3", "A2"), ("A1", "A2")):
        for point in points:
            p, q = (apply(invert(canvas[name]), point) for name in (a, b))
            ties.append(Tie(a, (p[0], p[1]), b, (q[0], q[1])))
    known = LastRun({"A1": tuple(tuple(row) for row in canvas["A1"].tolist())})
    found = places(known, TieBook(ties=tuple(ties)), ppi)
    for name in ppi:
        off = compose(invert(canvas[name]), found[name])
        assert np.allclose(off, [[1, 0, 0], [0, 1, 0]], atol=1e-6)


def test_scans_without_a_way_to_a_known_place_have_none() -> None:
    assert places(LastRun(), TieBook(ties=tied("A1-A2")), {"A1": 300.0, "A2": 300.0}) == {}
