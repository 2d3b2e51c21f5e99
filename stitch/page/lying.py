"""Where scans lie: by the last run, and from there by the ties made since."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from stitch.imaging.affine import FloatArray, compose
from stitch.model.ties import Tie, TieBook, ordered, swapped
from stitch.page.last_run import LastRun


def ties_between(book: TieBook, a: str, b: str) -> tuple[Tie, ...]:
    """The ties of two scans, all with `a` as their scan a, in the order of the book."""
    ties = book.by_pair().get(ordered(a, b), ())
    return ties if a <= b else tuple(swapped(tie) for tie in ties)


def rotation_of(ties: Sequence[Tie]) -> complex:
    """The rotation that takes directions in scan b to those in scan a, as a unit number; 1 for a single tie.

    Least squares over the ties (two-dimensional orthogonal Procrustes; Schönemann, Psychometrika 31, 1966).
    """
    p, q = (np.array([getattr(tie, end) for tie in ties]) @ (1, 1j) for end in ("a_px", "b_px"))
    total = complex(np.sum((p - p.mean()) * np.conj(q - q.mean())))
    return total / abs(total) if total else 1.0 + 0.0j


def a_from_b(ties: Sequence[Tie], ratio: float) -> FloatArray:
    """Map of scan b's px to scan a's, (2, 3), by their ties. `ratio` : px of a for one px of b."""
    turn = rotation_of(ties) * ratio
    linear = np.array([[turn.real, -turn.imag], [turn.imag, turn.real]])
    middle_a, middle_b = (np.mean([getattr(tie, end) for tie in ties], axis=0) for end in ("a_px", "b_px"))
    return np.column_stack([linear, middle_a - linear @ middle_b])


def places(known: LastRun, book: TieBook, ppi: Mapping[str, float]) -> dict[str, FloatArray]:
    """Canvas px from scan px, (2, 3), of every scan whose place is known or follows from ties."""
    found = {name: np.array(place) for name, place in known.places.items()}
    pairs = list(book.by_pair())
    while True:
        open_ends = [pair for pair in pairs if (pair[0] in found) != (pair[1] in found)]
        if not open_ends:
            return found
        a, b = open_ends[0] if open_ends[0][0] in found else open_ends[0][::-1]
        found[b] = compose(found[a], a_from_b(ties_between(book, a, b), ppi[a] / ppi[b]))
