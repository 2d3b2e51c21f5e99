"""What is said of each link: errors on patches kept apart from the solve, and which links are weak."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from stitch.errors import RegisterError
from stitch.imaging.affine import FloatArray, compose, invert, scale_of
from stitch.model.findings import Finding, Severity
from stitch.model.geometry import Size
from stitch.model.layout import Link, Pinned
from stitch.register import graph
from stitch.register.apart import HELD_SIGMA_PX
from stitch.register.candidates import overlap_area_px
from stitch.register.evidence import Signal
from stitch.register.expected import BOUND, STATISTICAL, UNSURE, expected_px, typical_px
from stitch.register.overlap_patches import MIN_PATCHES
from stitch.register.pairs import Pair
from stitch.register.patches import FLOOR_LINES_PX, MIN_COMPARABLE, Measured
from stitch.register.refine import Refined

WEAK_MEDIAN_PX = 0.35
WEAK_FAR_PX = 1.0
WEAK_SIGMA_PX = 0.25  # two of these are half a pixel
WEAK_UNSURE_PX = WEAK_SIGMA_PX  # of local corrections, exceeded in one place in twenty
REFUSE_MEDIAN_PX = 2.0
MIN_HELD_OUT = 4
TOO_FEW = "too little common paint to measure its error"
WEAK_CONTRARY_SHARE = 0.25  # of the places with paint; true overlaps stay below 0.1 (measured, simulated scans)
REFUSE_CONTRARY_SHARE = 0.5


def describe(refined: Refined, sizes: Mapping[str, Size], pairs: Mapping[tuple[str, str], Pair]) -> tuple[Link, ...]:
    """One Link for every overlap that had a link of its own, or enough patches to speak."""
    made = []
    typical = typical_px(refined.held_out_px)
    for measured in refined.measured:
        key = (measured.scan_a, measured.scan_b)
        if key in pairs or key in refined.used or measured.textured_count >= MIN_COMPARABLE:
            if key not in pairs or not pairs[key].tie_count:  # where she says they touch, it is a weak link
                _refuse_contradiction(measured, tuple(pairs.values()))
            made.append(_link(refined, measured, sizes, pairs.get(key), typical[key]))
    return _without_needless_blame(list(sizes), made)


def _without_needless_blame(names: Sequence[str], made: Sequence[Link]) -> tuple[Link, ...]:
    """A link too small to measure is no weakness where its two scans hang together by measured ones."""
    measured = [(link.scan_a, link.scan_b) for link in made if link.heldout_count >= MIN_HELD_OUT]
    group_of = {name: number for number, group in enumerate(graph.groups(names, measured)) for name in group}
    return tuple(
        replace(link, is_weak=False)
        if link.reason == TOO_FEW and group_of[link.scan_a] == group_of[link.scan_b]
        else link
        for link in made
    )


def unmeasured(pairs: Sequence[Pair]) -> tuple[Link, ...]:
    """Links known from features alone, for the report of a run that stopped before patches were measured."""
    return tuple(
        Link(
            scan_a=pair.candidate.scan_a,
            scan_b=pair.candidate.scan_b,
            turn_deg=pair.candidate.turn_deg,
            match_count=0 if pair.tie_count else pair.candidate.match_count,
            tie_count=pair.tie_count,
            overlap_fraction=pair.candidate.overlap_fraction,
            patch_count=0,
            heldout_count=0,
            median_px=0.0,
            p95_px=0.0,
            max_px=0.0,
            is_weak=False,
            reason="not measured: the run stopped before",
        )
        for pair in pairs
    )


def _link(refined: Refined, measured: Measured, sizes: Mapping[str, Size], pair: Pair | None, typical: float) -> Link:
    a, b = measured.scan_a, measured.scan_b
    poses = refined.maps.poses
    a_from_b = compose(invert(poses[a].matrix()), poses[b].matrix())
    smaller = min(_area_px(sizes[a]), _area_px(sizes[b]) * scale_of(a_from_b) ** 2)
    off = refined.held_out_px[a, b] / poses[a].scale
    known = len(off) >= MIN_HELD_OUT
    median, p95, worst = (float(v) for v in np.percentile(off, (50, 95, 100))) if len(off) else (0.0, 0.0, 0.0)
    is_corrected = refined.correction is not None
    expected = expected_px(refined.rms_sigma_px[a, b], typical, is_corrected=is_corrected) / poses[a].scale
    if measured.signal is Signal.DRAWN_LINES:
        expected = math.hypot(expected, FLOOR_LINES_PX)
    unsure = UNSURE * refined.uncertain_px.get((a, b), np.zeros(1)) / poses[a].scale
    expected = max(expected, float(np.sqrt((unsure**2).mean())))
    reason = _contradiction(measured) or _unsureness(unsure)
    sigma = refined.joint_sigma_px[a, b] / poses[a].scale
    count = pair.tie_count if pair else 0
    by_hand = count > 0 and not ((a, b) in refined.used and measured.count >= MIN_PATCHES)
    if by_hand:
        expected = STATISTICAL * refined.rms_sigma_px[a, b] / poses[a].scale
        reason = reason or _held_by_ties(count, sigma)
    reason = reason or (_weakness(median, _far_px(off), refined.joint_sigma_px[a, b]) if known else TOO_FEW)
    return Link(
        scan_a=a,
        scan_b=b,
        turn_deg=graph.nearest_turn_deg(a_from_b) * -1 % 360,
        match_count=pair.candidate.match_count if pair and not count else 0,
        tie_count=count,
        overlap_fraction=overlap_area_px(sizes[a], sizes[b], a_from_b) / smaller,
        patch_count=measured.count if (a, b) in refined.used else 0,
        heldout_count=len(off),
        median_px=median,
        p95_px=p95,
        max_px=worst,
        is_weak=bool(reason),
        reason=reason,
        pinned=_pinned(measured),
        probability=pair.probability if pair and not count else None,
        expected_px=expected if measured.count or by_hand else None,
        bound_px=BOUND * expected if measured.count or by_hand else None,
    )


def _held_by_ties(count: int, sigma_px: float) -> str:
    """That nothing but what was clicked holds two scans, and what that is worth."""
    ties = "one tie" if count == 1 else f"{count} ties"
    return f"nothing but {ties} made by hand holds them: they may be {2 * sigma_px:.1f} px apart"


def _pinned(measured: Measured) -> Pinned:
    """Whether the overlap's own patches hold the two scans in one direction only, as a straight edge does."""
    if not measured.count:
        return Pinned.FULLY
    variances = np.linalg.eigvalsh(np.linalg.inv(np.linalg.inv(measured.covariance_px2).sum(axis=0)))
    is_held = variances < HELD_SIGMA_PX**2
    return Pinned.ONE_DIRECTION if is_held.any() and not is_held.all() else Pinned.FULLY


def _area_px(size: Size) -> float:
    return float(size.width_px * size.height_px)


def _refuse_contradiction(measured: Measured, pairs: Sequence[Pair]) -> None:
    if measured.contrary_share <= REFUSE_CONTRARY_SHARE:
        return
    a, b = measured.scan_a, measured.scan_b
    raise RegisterError(
        f"{a} and {b} come to lie over each other, but show different things at {measured.contrary_count} of "
        f"{measured.textured_count} places there.",
        advice="One of them may show another painting, or something that was moved between the scans (a ruler, a "
        "colour target) may have linked them. Leave one out with --skip, or cover what was moved and scan again.",
        scan_ids=(a, b),
        suspects=(a, b),
        links=unmeasured(pairs),
    )


def _contradiction(measured: Measured) -> str:
    if measured.contrary_share <= WEAK_CONTRARY_SHARE:
        return ""
    return f"they show different things at {measured.contrary_count} of {measured.textured_count} places in the overlap"


def _unsureness(sigma_px: FloatArray) -> str:
    """Where the scans needed local corrections and too little agrees in part of their overlap to hold those."""
    far = float(np.percentile(sigma_px, 95))
    if far <= WEAK_UNSURE_PX:
        return ""
    return (
        f"they had to be straightened, and part of their overlap has too little to do that by: {2 * far:.1f} px unsure"
    )


def _far_px(off_px: FloatArray) -> float:
    """What one patch in twenty exceeds, and two at least: a single patch can be mistaken."""
    return float(np.sort(off_px)[-max(2, math.ceil(0.05 * len(off_px)))])


def _weakness(median_px: float, far_px: float, sigma_px: float) -> str:
    if median_px > WEAK_MEDIAN_PX:
        return f"the two scans are {median_px:.2f} px apart in the middle of their overlap's errors"
    if far_px > WEAK_FAR_PX:
        return f"parts of the overlap are {far_px:.1f} px apart"
    if sigma_px > WEAK_SIGMA_PX:
        return f"what they share does not hold them in every direction: they may be {2 * sigma_px:.1f} px apart"
    return ""


def judge(links: Sequence[Link]) -> tuple[Finding, ...]:
    """A finding for every weak link. Raises RegisterError when a link is too far off for any master."""
    for link in links:
        if link.heldout_count >= MIN_HELD_OUT and link.median_px > REFUSE_MEDIAN_PX:
            raise RegisterError(
                f"{link.scan_a} and {link.scan_b} do not fit: their overlap is {link.median_px:.1f} px apart.",
                advice="The sheet may have moved or lifted during a scan: scan these two again, flat and still.",
                scan_ids=(link.scan_a, link.scan_b),
                suspects=(link.scan_a, link.scan_b),
            )
    return tuple(
        Finding(
            "weak-link",
            Severity.FAILED,
            f"The link between {link.scan_a} and {link.scan_b} is weak: {link.reason}.",
            "Look at the seam between them at 100 % before you trust the master, or scan them again with more overlap.",
            (link.scan_a, link.scan_b),
        )
        for link in links
        if link.is_weak
    )
