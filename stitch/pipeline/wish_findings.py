"""What is told of the wishes: which were met, which could not be, which lines contradict each other."""

from __future__ import annotations

from collections.abc import Sequence

from stitch.model.findings import Finding, Severity
from stitch.model.wishes import Want, Wish, WishOutcome
from stitch.pipeline.wishing import Placed, Wished
from stitch.scans.wording import listed
from stitch.wishes.book import BOOK_NAME
from stitch.wishes.region import described, region_text

NEARLY_ALL = 0.995  # of what a scan covers


def wish_findings(wished: Wished, outcomes: Sequence[WishOutcome]) -> tuple[Finding, ...]:
    """A note on the wishes that were met; a failed check for each that could do nothing, or that others contradict."""
    told = [_told(one, outcome, wished) for one, outcome in zip(wished.placed, outcomes, strict=True)]
    met = [words for words in told if isinstance(words, str)]
    found = [words for words in told if isinstance(words, Finding)]
    if met:
        found.insert(0, Finding("wishes-met", Severity.NOTE, f"As you wished in {BOOK_NAME}: {'; '.join(met)}."))
    found += [_nowhere(wish) for wish in wished.nowhere]
    found += [_moved(one) for one in wished.placed if one.moved_mm is not None and not one.is_lost]
    found += [_lost(one) for one in wished.placed if one.is_lost]
    return tuple(found)


def _told(one: Placed, outcome: WishOutcome, wished: Wished) -> Finding | str:
    wish = one.wish
    if wish.scan_id in wished.unplaced_ids:
        return _unmet(wish, f"{wish.scan_id} was left out, because another scan shows the same part")
    if not outcome.region_mm2:
        return _unmet(wish, "its region lies outside the master")
    if not outcome.covered_fraction:
        if wish.want is Want.AVOID:
            return f"{_line(wish)} {described(wish)} ({wish.scan_id} does not reach there)"
        return _unmet(wish, f"{wish.scan_id} does not reach there")
    if outcome.against:
        return _contradicts(wish, outcome, wished)
    if outcome.lone_fraction:
        return _lone(wish, outcome)
    if outcome.met_fraction < NEARLY_ALL:
        return _unmet(wish, f"it is met in {_percent(outcome.met_fraction)} of its region only")
    part = outcome.covered_fraction
    is_partly = wish.want is Want.PREFER and part < NEARLY_ALL
    reach = f" ({wish.scan_id} reaches {_percent(part)} of it)" if is_partly else ""
    return f"{_line(wish)} {described(wish)}{reach}"


def _unmet(wish: Wish, why: str) -> Finding:
    return Finding(
        "wish-unmet",
        Severity.FAILED,
        f"{_line(wish, is_first=True)} of {BOOK_NAME} ({described(wish)}) could not be met: {why}.",
        "Correct that line or take it out, and run again.",
        (wish.scan_id,),
    )


def _contradicts(wish: Wish, outcome: WishOutcome, wished: Wished) -> Finding:
    others = [wished.placed[k].wish for k in outcome.against]
    lines = listed([str(other.line) for other in others])
    return Finding(
        "wishes-contradict",
        Severity.FAILED,
        f"{_line(wish, is_first=True)} of {BOOK_NAME} ({described(wish)}) contradicts line {lines} "
        f"({'; '.join(described(other) for other in others)}): the later one was followed, and the earlier one is met "
        f"in {_percent(outcome.met_fraction)} of its region.",
        "Take out one of them, or make their regions smaller, and run again.",
        tuple(dict.fromkeys((wish.scan_id, *(other.scan_id for other in others)))),
    )


def _lone(wish: Wish, outcome: WishOutcome) -> Finding:
    where = "the region" if outcome.lone_fraction >= NEARLY_ALL else f"{_percent(outcome.lone_fraction)} of the region"
    return Finding(
        "wish-alone",
        Severity.FAILED if outcome.lone_fraction >= NEARLY_ALL else Severity.WARNING,
        f"{_line(wish, is_first=True)} of {BOOK_NAME} ({described(wish)}): no other scan shows {where}, so "
        f"{wish.scan_id} makes it all the same.",
        "Scan that part once more, if it has to be another scan, or make the region smaller.",
        (wish.scan_id,),
    )


def _nowhere(wish: Wish) -> Finding:
    return _unmet(wish, f"{wish.px_of}, whose px it names, is not part of the master")


def _moved(one: Placed) -> Finding:
    assert one.moved_mm is not None
    return Finding(
        "wish-moved",
        Severity.NOTE,
        f"{_line(one.wish, is_first=True)} of {BOOK_NAME} ({described(one.wish)}) was written before the master or a "
        f"scan changed; the same paint now lies at {region_text(one.moved_mm)} mm.",
    )


def _lost(one: Placed) -> Finding:
    return Finding(
        "wish-lost",
        Severity.WARNING,
        f"Every scan was made again since line {one.wish.line} of {BOOK_NAME} ({described(one.wish)}) was first used, "
        "so its numbers were taken as they stand.",
        "Look whether it is still the right place.",
        (one.wish.scan_id,),
    )


def _line(wish: Wish, *, is_first: bool = False) -> str:
    return f"{'Line' if is_first else 'line'} {wish.line}"


def _percent(fraction: float) -> str:
    return f"{100 * fraction:.0f} %"
