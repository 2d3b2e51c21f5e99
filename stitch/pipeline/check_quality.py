"""What is to be said of the scans' pixels: light, focus, clipping, streaks, dust."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stitch.check.compare import Shared
from stitch.check.exposure import Exposure
from stitch.check.filled import is_filled
from stitch.check.look import Look
from stitch.check.shadow import ShadowedEdge, shadowed_edges
from stitch.check.streaks import BESIDE_PX, Streak, find_streaks
from stitch.imaging.affine import FloatArray, apply, compose, invert, mm_from_px
from stitch.model.bed import GlassSpeck
from stitch.model.findings import Finding, Severity
from stitch.model.geometry import Size
from stitch.pipeline.laying import Laid, inside_mm
from stitch.register.reduced import Reduced
from stitch.scans.preflight import CLIPPED_FRACTION
from stitch.scans.wording import listed, plural

NAMED_PLACES = 6
BLOCKS_SHOW = 1.2  # quality 85 and less: 1.27 and more; scans that were never JPEG: up to 1.07 (measured, simulated)
MANY_SPECKS = 12
LARGE_SPECK_MM = 1.5
NEAR_PX = 2  # of small copies: placements are good to that
LEAST_ROWS = 20
PAINTED_SHARE = 0.3  # of a streak's step, shown by another scan, too
EDGE_MM = 6.0  # a streak this near to an edge of the painting is its shadow
CHANNELS = ("red", "green", "blue")


@dataclass(frozen=True, slots=True)
class Clipped:
    """Shares of a scan's paint, by channel, and where there is most of it, mm from the scan's top left."""

    low: tuple[float, float, float]
    high: tuple[float, float, float]
    low_at_mm: tuple[float, float]
    high_at_mm: tuple[float, float]


def clipped(look: Look, paint: NDArray[np.bool_], ppi: float) -> Clipped:
    """Clipped pixels in the cells that are paint, (rows × columns,)."""
    low, low_at = _shares(look.low.reshape(-1, 3), look, paint, ppi)
    high, high_at = _shares(look.high.reshape(-1, 3), look, paint, ppi)
    return Clipped(low, high, low_at, high_at)


def _shares(
    cells: NDArray[np.float64], look: Look, paint: NDArray[np.bool_], ppi: float
) -> tuple[tuple[float, float, float], tuple[float, float]]:
    if not paint.any():
        return (0.0, 0.0, 0.0), (0.0, 0.0)
    red, green, blue = (float(v) for v in cells[paint].mean(axis=0))
    worst = int(np.argmax(np.where(paint, cells.max(axis=1), -1.0)))
    x, y = look.centres().reshape(-1, 2)[worst]
    return (red, green, blue), (mm_from_px(float(x), ppi), mm_from_px(float(y), ppi))


def clipping_findings(found: Mapping[str, Clipped]) -> list[Finding]:
    """A failed check for each scan whose paint is clipped."""
    findings = []
    for name, one in found.items():
        for code, what, shares, at in (
            ("clipped-highlights", "highlights", one.high, one.high_at_mm),
            ("clipped-shadows", "shadows", one.low, one.low_at_mm),
        ):
            said = [
                f"{channel} {share:.1%}"
                for channel, share in zip(CHANNELS, shares, strict=True)
                if share > CLIPPED_FRACTION
            ]
            if said:
                findings.append(
                    Finding(
                        code,
                        Severity.FAILED,
                        f"{name}: {what} of the paint are clipped ({', '.join(said)}), most around "
                        f"{at[0]:.0f}, {at[1]:.0f} mm from the scan's left and top.",
                        "Scan again with a lower exposure."
                        if code == "clipped-highlights"
                        else "Scan again with the black point at its lowest.",
                        (name,),
                    )
                )
    return findings


def exposure_findings(found: Sequence[Exposure]) -> list[Finding]:
    """A failed check for each scan of unlike light or colour; a warning where it is only far beside steady others."""
    odd = [
        Finding(
            "unlike-exposure",
            Severity.FAILED,
            f"{one.scan_id} {_unlike(one)} where they show the same: automatic exposure or colour was left on.",
            "Switch it off and scan this piece again with the settings of the others.",
            (one.scan_id,),
        )
        for one in found
        if one.is_odd
    ]
    beside = [
        Finding(
            "exposure-differs",
            Severity.WARNING,
            f"{one.scan_id} {_unlike(one)} where they show the same; the others agree much better.",
            "See whether automatic exposure or colour was left on. If not, the join will match it.",
            (one.scan_id,),
        )
        for one in found
        if one.is_unsteady and not one.is_odd
    ]
    return odd + beside


def _unlike(one: Exposure) -> str:
    if one.is_cast:
        factors = ", ".join(f"{c} × {v:.2f}" for c, v in zip(CHANNELS, one.channels, strict=True))
        return f"has other colours than most scans ({factors})"
    if one.light > 1:
        return f"is {one.light - 1:.0%} lighter than most scans"
    return f"is {1 - one.light:.0%} darker than most scans"


def shadow_findings(
    shared: Sequence[Shared], light: Sequence[Exposure], sizes: Mapping[str, Size], soft: Sequence[Finding]
) -> list[Finding]:
    """A failed check for each scan with a shadow along an edge; where it is soft, too, that is told instead."""
    lifted = {name for one in soft if one.code == "soft-edge" for name in one.scan_ids}
    by_scan: dict[str, list[ShadowedEdge]] = {}
    for edge in shadowed_edges(shared, light, sizes):
        if edge.scan_id not in lifted:
            by_scan.setdefault(edge.scan_id, []).append(edge)
    return [
        Finding(
            "lid-shadow",
            Severity.FAILED,
            f"{name} lies in shadow along its {listed([edge.side for edge in mine])} "
            f"{plural(mine, 'edge', 'edges')} ({1 - min(edge.light for edge in mine):.0%} darker than its neighbour "
            "shows it).",
            "Take the lid off, or keep it clear of the sheet and the room's light off the glass, and scan it again.",
            (name,),
        )
        for name, mine in by_scan.items()
    ]


def block_findings(looks: Mapping[str, Look], told: Collection[str] = ()) -> list[Finding]:
    """A failed check for scans with JPEG's blocks in their pixels, whatever their file says; but for those told of."""
    names = tuple(name for name, look in looks.items() if look.blocks > BLOCKS_SHOW and name not in told)
    if not names:
        return []
    return [
        Finding(
            "jpeg-damage",
            Severity.FAILED,
            f"{listed(names)} {plural(names, 'was', 'were')} saved as JPEG at some time: the pixels show its blocks of "
            "8 × 8, in which fine detail is lost.",
            f"Scan {plural(names, 'it', 'them')} again straight to TIFF.",
            names,
        )
    ]


def filled_findings(reduced: Mapping[str, Reduced]) -> list[Finding]:
    """A warning for scans that a program turned, with corners it had to fill."""
    names = tuple(name for name, one in reduced.items() if is_filled(one.codes))
    if not names:
        return []
    return [
        Finding(
            "straightened",
            Severity.WARNING,
            f"{listed(names)} {plural(names, 'was', 'were')} straightened by the scanner program, which filled the "
            "corners with one colour: every pixel was moved, and paint at the edges may be cut off.",
            "Switch straightening off and scan again.",
            names,
        )
    ]


def streak_findings(reduced: Mapping[str, Reduced], ppi: Mapping[str, float], laid: Laid, jobs: int) -> list[Finding]:
    """A failed check for each placed scan with streaks; a sheet's shadow or a painted line is none."""
    found, names = [], list(laid.mm_from_scan)
    with ThreadPoolExecutor(jobs, thread_name_prefix="streaks") as pool:
        everywhere = list(pool.map(lambda name: find_streaks(reduced[name].codes), names))
    for name, seen in zip(names, everywhere, strict=True):
        one = reduced[name]
        found_here = [streak for streak in seen if not _is_edge(streak, one, laid)]
        streaks = [streak for streak in found_here if not _is_painted(streak, one, reduced, laid)]
        if streaks:
            at = [f"{mm_from_px((s.x_px + 0.5) * one.factor, ppi[name]):.0f}" for s in streaks[:NAMED_PLACES]]
            found.append(
                Finding(
                    "streaks",
                    Severity.FAILED,
                    f"{name} has {plural(streaks, 'a streak', 'streaks')} along the carriage's way, "
                    f"{listed(at)} mm from the left.",
                    "Clean the glass strip at the start of the carriage's way, restart the scanner and scan again.",
                    (name,),
                )
            )
    return found


def _is_edge(streak: Streak, one: Reduced, laid: Laid) -> bool:
    """Whether it runs along an edge of the painting."""
    rows = np.linspace(0, one.size.height_px - 1, 9)
    line = apply(one.scan_from_reduced, np.column_stack([np.full(len(rows), streak.x_px), rows]))
    return float(np.median(np.abs(inside_mm(laid, apply(laid.mm_from_scan[one.scan_id], line))))) < EDGE_MM


def _is_painted(streak: Streak, one: Reduced, reduced: Mapping[str, Reduced], laid: Laid) -> bool:
    """Whether another scan shows it at the same place of the painting."""
    rows = np.arange(one.size.height_px, dtype=np.float64)
    to_mm = compose(laid.mm_from_scan[one.scan_id], one.scan_from_reduced)
    for name, matrix in laid.mm_from_scan.items():
        if name == one.scan_id:
            continue
        other = reduced[name]
        there = compose(invert(compose(matrix, other.scan_from_reduced)), to_mm)
        for near in range(-NEAR_PX, NEAR_PX + 1):
            columns = streak.x_px + near + np.array([-BESIDE_PX, 0, BESIDE_PX])
            at = [apply(there, np.column_stack([np.full(len(rows), x), rows])) for x in columns]
            step = _step_at(other, at)
            if step is not None and step * np.sign(streak.step) > PAINTED_SHARE * abs(streak.step):
                return True
    return False


def _step_at(other: Reduced, at: Sequence[FloatArray]) -> float | None:
    """How a line of places differs from the lines on either side, codes 0..1; None where too few are in view."""
    limit = np.array([other.size.width_px - 1, other.size.height_px - 1])
    inside = np.all([((xy >= 0) & (xy <= limit)).all(axis=1) for xy in at], axis=0)
    if inside.sum() < LEAST_ROWS:
        return None
    grey = []
    for xy in at:
        x, y = np.rint(xy[inside]).astype(int).T
        grey.append(other.codes[y, x].mean(axis=1) / 65535)
    return float(np.median(grey[1] - (grey[0] + grey[2]) / 2))


def dust_findings(glass: Sequence[GlassSpeck]) -> list[Finding]:
    """Where to clean the glass; a failed check when there is much of it."""
    if not glass:
        return []
    is_much = len(glass) >= MANY_SPECKS or max(speck.size_mm for speck in glass) >= LARGE_SPECK_MM
    severity = Severity.FAILED if is_much else Severity.WARNING
    advice = "Then scan again." if is_much else "If it shows in the paint, scan again."
    return [Finding("dirty-glass", severity, dirt_words(glass), advice)]


def dirt_words(glass: Sequence[GlassSpeck]) -> str:
    """Where to clean the glass, the largest specks first."""
    largest = sorted(glass, key=lambda speck: -speck.size_mm)[:NAMED_PLACES]
    at = "; ".join(f"{speck.x_mm:.0f}, {speck.y_mm:.0f}" for speck in largest)
    rest = len(glass) - len(largest)
    more = "" if not rest else " and in one more place" if rest == 1 else f" and in {rest} more places"
    return (
        f"Something lies on the glass and shows in most scans: clean the glass at {at}{more} "
        "(mm from the left and the top, as the scans show it)."
    )
