"""Which pairs to tie next, the most useful first, in words."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from stitch.model.ties import TieBook, ordered
from stitch.page.by_name import ByName
from stitch.page.last_run import FoundLink, LastRun
from stitch.register import graph

PINNING_TIES = 2  # position and turn
CHECKED_TIES = 3


@dataclass(frozen=True, slots=True)
class Wanted:
    """A pair to look at and why. `scan_b` is None where nothing tells what `scan_a` touches."""

    scan_a: str
    scan_b: str | None
    said: str


def tie_counts(book: TieBook) -> dict[tuple[str, str], int]:
    """Ties of each pair that has any."""
    return {pair: len(ties) for pair, ties in book.by_pair().items()}


def groups(names: Sequence[str], known: LastRun, book: TieBook) -> list[list[str]]:
    """Scans that hang together by links and ties, the largest group first."""
    return graph.groups(names, [*_allowed(known.links, book), *tie_counts(book)])


def wanted(
    names: Sequence[str],
    known: LastRun,
    book: TieBook,
    guess: ByName,
    doubtful: Mapping[tuple[str, str], Sequence[str]],
) -> list[Wanted]:
    """Every pair that needs a hand.

    doubtful : for pairs with ties that contradict each other, what was said of them.
    """
    found = groups(names, known, book)
    return [
        *_contradicted(doubtful),
        *_unlinked(found, book, guess),
        *_half_tied(book, known),
        *_weak(known.links, book),
    ]


def _allowed(links: Iterable[FoundLink], book: TieBook) -> list[tuple[str, str]]:
    apart = book.apart_pairs()
    return [(one.scan_a, one.scan_b) for one in links if ordered(one.scan_a, one.scan_b) not in apart]


def _contradicted(doubtful: Mapping[tuple[str, str], Sequence[str]]) -> list[Wanted]:
    return [Wanted(a, b, f"{a} and {b}: {' '.join(said)}") for (a, b), said in doubtful.items()]


def _unlinked(found: Sequence[Sequence[str]], book: TieBook, guess: ByName) -> list[Wanted]:
    """One pair for every group that does not hang together with the largest."""
    if len(found) < 2:
        return []
    apart = book.apart_pairs()
    main = found[0]
    return [
        _bridge(group, main, [n for other in found if other is not group for n in other], apart, guess)
        for group in found[1:]
    ]


def _bridge(
    group: Sequence[str], main: Sequence[str], others: Sequence[str], apart: frozenset[tuple[str, str]], guess: ByName
) -> Wanted:
    near = [
        (name, other)
        for name in group
        for other in guess.neighbours(name)
        if other in others and ordered(name, other) not in apart
    ]
    near.sort(key=lambda pair: pair[1] not in main)
    if not near:
        return Wanted(group[0], None, f"{_no_link(group)}. Find a scan that shows a part of it, and pick both.")
    name, other = near[0]
    more = list(dict.fromkeys(o for n, o in near[1:] if n == name and o != other))[:1]
    places = " or ".join([other, *more])
    touching = f"{name} probably touches {places}" if len(group) > 1 else f"it probably touches {places}"
    return Wanted(
        name, other, f"{_no_link(group)}; {touching}, going by the {'names' if guess.is_grid else 'numbers'}."
    )


def _no_link(group: Sequence[str]) -> str:
    if len(group) == 1:
        return f"{group[0]} has no link yet"
    shown = ", ".join(group[:4]) + (" and more" if len(group) > 4 else "")
    return f"{shown} hold together but not with the rest"


def _half_tied(book: TieBook, known: LastRun) -> list[Wanted]:
    """Pairs with ties that do not hold each other's turn, or cannot be checked."""
    linked = {ordered(*pair) for pair in _allowed(known.links, book)}
    counts = {pair: count for pair, count in tie_counts(book).items() if pair not in linked}
    first = [
        Wanted(a, b, f"{a} and {b} have one tie, which holds the place. A second, far from it, holds the turn.")
        for (a, b), count in counts.items()
        if count < PINNING_TIES
    ]
    return first + [
        Wanted(a, b, f"{a} and {b} have two ties. A third would show whether they are right.")
        for (a, b), count in counts.items()
        if PINNING_TIES <= count < CHECKED_TIES
    ]


def _weak(links: Iterable[FoundLink], book: TieBook) -> list[Wanted]:
    """Links that the last run was not sure of, and that nobody has tied since."""
    settled = {pair for pair, count in tie_counts(book).items() if count >= PINNING_TIES}
    settled |= book.apart_pairs()
    return [
        Wanted(one.scan_a, one.scan_b, f"{one.scan_a} and {one.scan_b} are linked, but weakly ({one.reason}).")
        for one in links
        if one.is_weak and ordered(one.scan_a, one.scan_b) not in settled
    ]
