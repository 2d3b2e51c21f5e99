"""One pair as the page shows it: how its scans are turned, its ties, and how well they hold."""

from __future__ import annotations

import cmath
import math
import threading
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from stitch.imaging.affine import mm_from_px, nearest_turn_deg
from stitch.model.ties import Distance, Tie, TieBook, ordered, swapped
from stitch.page.lying import places, rotation_of, ties_between
from stitch.page.opened import OpenJob
from stitch.ties.pinned import PairPins, judge
from stitch.ties.snap import Snapped, click_sigma_px, snap

DECIMALS = 2  # positions are kept to a hundredth of a pixel, as the file holds them


@dataclass(slots=True)
class Snaps:
    """What the fine search said of each tie, kept as long as the page is open."""

    known: dict[Tie, Snapped] = field(default_factory=dict)
    lock: threading.Lock = field(default_factory=threading.Lock)


def doubts(job: OpenJob, snaps: Snaps, book: TieBook) -> dict[tuple[str, str], Sequence[str]]:
    """Pairs whose ties contradict each other, with what is to be said."""
    pins = {pair: _judged(job, snaps, ties) for pair, ties in book.by_pair().items()}
    return {pair: said.said for pair, said in pins.items() if said.doubtful}


def _judged(job: OpenJob, snaps: Snaps, ties: Sequence[Tie]) -> PairPins:
    """How well ties, all in one sense, hold their pair, each where the fine search puts it as `join` will have it."""
    if not ties:
        return judge((), job.ppi[0])
    a, b = (job.ppi[job.names.index(name)] for name in (ties[0].scan_a, ties[0].scan_b))
    held = [_held(job, snaps, tie) for tie in ties]
    return judge([tie for tie, _ in held], a, scale_b=a / b, sigma_px=[sigma for _, sigma in held])


def _held(job: OpenJob, snaps: Snaps, tie: Tie) -> tuple[Tie, float]:
    """A tie where the fine search puts it, and its standard deviation, px of its scan a.

    One that was not searched for yet is a plain click.
    """
    ppi = job.ppi[job.names.index(tie.scan_a)]
    with snaps.lock:
        found, is_swapped = snaps.known.get(tie), False
        if found is None:
            found, is_swapped = snaps.known.get(swapped(tie)), True
    if found is None:
        return replace(tie, line=0), click_sigma_px(ppi) / math.sqrt(tie.weight)
    place = swapped(found.tie) if is_swapped else found.tie
    sigma = found.sigma_px * ppi / job.ppi[job.names.index(found.tie.scan_b)]
    return replace(place, line=0), sigma / math.sqrt(tie.weight)


def view_turns(job: OpenJob, book: TieBook, a: str, b: str) -> tuple[int, int]:
    """How far to turn each of two scans clockwise so that they look the same way up: 0, 90, 180, 270."""
    lying = places(job.known, book, dict(zip(job.names, job.ppi, strict=True)))
    up_a, up_b = (nearest_turn_deg(lying[name]) if name in lying else 0 for name in (a, b))
    if a in lying and b in lying:
        return up_a, up_b
    for link in job.known.links:
        if {link.scan_a, link.scan_b} == {a, b}:
            turn = link.turn_deg if link.scan_a == a else -link.turn_deg
            return up_a, (up_a - turn) % 360
    ties = ties_between(book, a, b)
    return (up_a, up_b) if len(ties) < 2 else (up_a, (up_a + _quarters(rotation_of(ties))) % 360)


def _quarters(rotation: complex) -> int:
    """The quarter turn nearest to a rotation, degrees clockwise."""
    return round(math.degrees(cmath.phase(rotation)) / 90) * 90 % 360


def placed(job: OpenJob, snaps: Snaps, clicked: Tie, turn_deg: int) -> Tie:
    """The tie as it is to be kept: moved to where the surroundings agree, or as it was clicked."""
    found = _searched(job, clicked, turn_deg)
    kept = _rounded(found.tie) if found.agrees else _rounded(clicked)
    with snaps.lock:
        snaps.known[kept] = found
    return kept


def said_of(job: OpenJob, snaps: Snaps, tie: Tie, first: str, turn_deg: int) -> Snapped:
    """What the fine search says of a tie; it is searched for again when the tie came from the file.

    turn_deg : how far the other scan is turned against scan `first`.
    """
    with snaps.lock:
        if tie in snaps.known:
            return snaps.known[tie]
    found = _searched(job, tie, turn_deg if tie.scan_a == first else -turn_deg % 360)
    with snaps.lock:
        snaps.known[tie] = found
    return found


def _searched(job: OpenJob, tie: Tie, turn_deg: int) -> Snapped:
    a, b = job.names.index(tie.scan_a), job.names.index(tie.scan_b)
    return snap(job.source(a), job.source(b), tie, turn_deg=turn_deg, ppi_a=job.ppi[a], ppi_b=job.ppi[b])


def _rounded(tie: Tie) -> Tie:
    (ax, ay), (bx, by) = tie.a_px, tie.b_px
    a_px, b_px = (round(ax, DECIMALS), round(ay, DECIMALS)), (round(bx, DECIMALS), round(by, DECIMALS))
    return replace(tie, a_px=a_px, b_px=b_px)


def pair_plain(job: OpenJob, snaps: Snaps, book: TieBook, a: int, b: int) -> dict[str, Any]:
    """Everything the page shows of scans number `a` and `b`, as JSON values."""
    first, second = job.names[a], job.names[b]
    pair, turns = ordered(first, second), view_turns(job, book, first, second)
    seen = ties_between(book, first, second)
    at = [n for n, tie in enumerate(book.ties) if tie.scan_ids == pair]
    turn_deg = (turns[0] - turns[1]) % 360
    found = [said_of(job, snaps, book.ties[n], first, turn_deg) for n in at]
    pins = _judged(job, snaps, seen)
    held = [_held(job, snaps, tie)[0] for tie in seen]
    ties = [{"at": at[n], **_tie_plain(job, found[n], tie, pins, n)} for n, tie in enumerate(held)]
    return {
        "a": a,
        "b": b,
        "turns": turns,
        "ties": ties,
        "pinned": pins.what,
        "is_apart": pair in book.apart_pairs(),
        "link": _link_said(job, pair),
        "distances": [_distance_plain(one, at, first) for at, one in enumerate(book.distances) if _about(one, pair)],
    }


def _tie_plain(job: OpenJob, found: Snapped, seen: Tie, pins: PairPins, number: int) -> dict[str, Any]:
    ppi, residual = job.ppi[job.names.index(seen.scan_a)], pins.residual_px[number]
    doubt = dict(zip(pins.doubtful, pins.said, strict=True)).get(number, "")
    return {
        "a_px": seen.a_px,
        "b_px": seen.b_px,
        "note": seen.note,
        "said": found.said,
        "agrees": found.agrees,
        "moved_px": found.moved_px,
        "moved_mm": mm_from_px(found.moved_px, ppi),
        "residual_px": residual if pins.count > 2 else None,
        "residual_mm": mm_from_px(residual, ppi) if pins.count > 2 else None,
        "doubt": doubt,
    }


def _link_said(job: OpenJob, pair: tuple[str, str]) -> str:
    for link in job.known.links:
        if ordered(link.scan_a, link.scan_b) == pair:
            return f"linked by the last run, but weakly ({link.reason})" if link.is_weak else "linked by the last run"
    return ""


def _about(one: Distance, pair: tuple[str, str]) -> bool:
    return one.scan_a in pair and one.scan_b in pair


def _distance_plain(one: Distance, at: int, first: str) -> dict[str, Any]:
    sides = ["a" if scan == first else "b" for scan in (one.scan_a, one.scan_b)]
    return {"at": at, "sides": sides, "from_px": one.a_px, "to_px": one.b_px, "length_mm": one.length_mm}
