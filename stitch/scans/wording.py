"""Small helps for sentences that name scans."""

from __future__ import annotations

from collections.abc import Sequence, Sized

from stitch.model.scans import Scan

NAMED_COUNT = 12  # a sentence with more names than this is not read


def listed(words: Sequence[str]) -> str:
    """ "A", "A and B", "A, B and C"; the tail of a long list is counted."""
    if len(words) > NAMED_COUNT:
        words = [*words[: NAMED_COUNT - 1], f"{len(words) - NAMED_COUNT + 1} more"]
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def names(scans: Sequence[Scan]) -> str:
    """The scans' names as one part of a sentence."""
    return listed([scan.scan_id for scan in scans])


def plural(things: Sized, one: str, many: str) -> str:
    """The word that fits the number of things."""
    return one if len(things) == 1 else many


def number(value: float) -> str:
    """A number without needless digits: 600, 599.44."""
    return f"{value:.2f}".rstrip("0").rstrip(".")
