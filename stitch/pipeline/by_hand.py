"""What was said by hand: read before any work, searched finely, judged, and held against where the scans lie."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from stitch.errors import UsageError
from stitch.imaging.affine import angle_deg, mm_from_px, px_from_mm
from stitch.imaging.placed_map import PlacedMap
from stitch.model.findings import Finding, Severity
from stitch.model.scans import PixelSource, Scan
from stitch.model.settings import JoinSettings
from stitch.model.ties import SureTie, Tie, TieBook
from stitch.pipeline.fitting import has_tape
from stitch.register.fit import Scale, similarity
from stitch.register.place import Registration
from stitch.scans.wording import listed
from stitch.ties.book import BOOK_NAME, read_book, records_of, require_readable
from stitch.ties.lines import require_inside
from stitch.ties.pinned import judge
from stitch.ties.snap import Snapped, snap

CONTRADICTS_SIGMAS = 5.0
LEAST_CONTRADICTION_PX = 2.0


@dataclass(frozen=True, slots=True)
class ByHand:
    """What the solve is given, and what is to be said of it."""

    ties: tuple[SureTie, ...] = ()
    apart: frozenset[tuple[str, str]] = frozenset()
    findings: tuple[Finding, ...] = ()


def has_book(root: Path) -> bool:
    """Whether anything may have been said by hand."""
    return (root / BOOK_NAME).exists()


def require_book(root: Path) -> None:
    """Check the job's book of ties before any work. Raises UsageError that names the line."""
    require_readable(root / BOOK_NAME)


def read(root: Path, scans: Sequence[Scan]) -> TieBook:
    """The job's book of ties; empty when there is none. Raises UsageError that names a line and what is wrong with it.

    Raises it, too, where two scans are tied and said not to touch.
    """
    book = read_book(root / BOOK_NAME, [scan.scan_id for scan in scans])
    sizes = {scan.scan_id: (scan.size.width_px, scan.size.height_px) for scan in scans}
    for record in records_of(book):
        require_inside(record, sizes)
    for tie in book.ties:
        if tie.scan_ids in book.apart_pairs():
            raise UsageError(
                f"{BOOK_NAME} ties {tie.scan_a} to {tie.scan_b} in line {tie.line}, and says that they do not touch.",
                advice="Take out one of the two.",
                scan_ids=tie.scan_ids,
            )
    return book


def prepared(book: TieBook, sources: Mapping[str, PixelSource], ppi: Mapping[str, float]) -> ByHand:
    """Search finely around every tie, and leave out those that contradict the rest of their pair."""
    sure: list[SureTie] = []
    findings: list[Finding] = []
    for (a, b), ties in book.by_pair().items():
        scale_b = ppi[a] / ppi[b]
        turn, snapped = _searched(ties, sources[a], sources[b], ppi[a], ppi[b])
        sigma = [one.sigma_px * scale_b / np.sqrt(one.tie.weight) for one in snapped]
        pins = judge([one.tie for one in snapped], ppi[a], scale_b=scale_b, sigma_px=sigma)
        findings += [_contradicts(ties[k], said) for k, said in zip(pins.doubtful, pins.said, strict=True)]
        sure += [
            SureTie(one.tie, mm_from_px(one.sigma_px, ppi[b]), turn)
            for k, one in enumerate(snapped)
            if k not in pins.doubtful
        ]
    return ByHand(tuple(sure), book.apart_pairs(), tuple(findings))


def contradictions(registration: Registration, by_hand: ByHand) -> tuple[Finding, ...]:
    """A failed check for every tie that the finished placement does not meet within its standard deviation."""
    placed = registration.placed()
    told = ((one, _off_px(placed, one.tie)) for one in by_hand.ties)
    found = []
    for one, off in told:
        sigma = px_from_mm(one.sigma_mm, registration.nominal_ppi) / np.sqrt(one.tie.weight)
        if off > max(CONTRADICTS_SIGMAS * sigma, LEAST_CONTRADICTION_PX):
            far = f"{off:.0f} px ({mm_from_px(off, registration.nominal_ppi):.1f} mm)"
            found.append(_contradicts(one.tie, f"it is {far} away from where all other evidence puts it."))
    return tuple(found)


def _off_px(placed: Mapping[str, PlacedMap], tie: Tie) -> float:
    there = [
        placed[name].canvas_from_scan(np.array([place]))[0]
        for name, place in ((tie.scan_a, tie.a_px), (tie.scan_b, tie.b_px))
    ]
    return float(np.hypot(*(there[0] - there[1])))


def _searched(
    ties: Sequence[Tie], a: PixelSource, b: PixelSource, ppi_a: float, ppi_b: float
) -> tuple[int, list[Snapped]]:
    """How far b lies turned against a, and its ties after the fine search.

    One tie alone tells no turn: each is tried.
    """
    turns = (0, 90, 180, 270) if len(ties) == 1 else (_turn_deg(ties),)
    first: list[Snapped] = []
    for turn in turns:
        snapped = [snap(a, b, tie, turn_deg=turn, ppi_a=ppi_a, ppi_b=ppi_b) for tie in ties]
        if len(ties) > 1 or snapped[0].agrees:
            return turn, snapped
        first = first or snapped
    return 0, first


def _turn_deg(ties: Sequence[Tie]) -> int:
    """The quarter turn of b against a nearest to what two or more ties say."""
    b, a = np.array([tie.b_px for tie in ties]), np.array([tie.a_px for tie in ties])
    if not np.ptp(a, axis=0).any() or not np.ptp(b, axis=0).any():
        return 0
    return round(-angle_deg(similarity(b, a, Scale.FREE)) / 90) * 90 % 360


def _contradicts(tie: Tie, said: str) -> Finding:
    where = f"line {tie.line} of {BOOK_NAME}" if tie.line else "a tie"
    return Finding(
        "tie-contradicts",
        Severity.FAILED,
        f"The tie between {tie.scan_a} and {tie.scan_b} in {where} contradicts the rest: {said}",
        f"Look at the places of {where} in both scans; correct them or take the line out, and run again.",
        (tie.scan_a, tie.scan_b),
    )


def ties_note(book: TieBook) -> tuple[Finding, ...]:
    """That ties were used: the report says by whom a link was made."""
    if not book.ties and not book.apart:
        return ()
    pairs = [f"{a} with {b}" for a, b in book.by_pair()]
    said = f"{len(book.ties)} made by hand ({listed(pairs)})" if pairs else "none made by hand"
    forbidden = [f"{a} and {b}" for a, b in sorted(book.apart_pairs())]
    more = f" Never linked, as you said: {listed(forbidden)}." if forbidden else ""
    return (Finding("ties", Severity.NOTE, f"Ties used: {said}.{more}"),)


def deciding(book: TieBook, settings: JoinSettings) -> TieBook:
    """The part of the book that decides where scans lie: the ruler's readings only where they give the scale."""
    return book if settings.fit_size and not has_tape(settings) else replace(book, distances=())
