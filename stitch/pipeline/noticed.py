"""What is to be said of the placements: holes let through, scans left out, pieces that lay turned."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from stitch.errors import UsageError
from stitch.imaging.affine import FloatArray, apply, mm_from_px
from stitch.model.bed import BedSource, GlassSpeck
from stitch.model.findings import Finding, Severity
from stitch.model.layout import Layout, LeftOut
from stitch.model.settings import ToneMatch
from stitch.model.tone import SlopeSource, ToneFit
from stitch.pipeline.check_quality import dirt_words
from stitch.register.gaps import NAMED_GAPS, Gap, counted
from stitch.report.turns import TURN_WORDS, turns_on_glass
from stitch.scans.wording import listed, plural

TOLD_SLOPE_PERCENT = 1.0  # of light over the painting; a smaller one is only in the report


def gap_findings(gaps: Sequence[Gap], canvas_from_picture: FloatArray, ppi: float, px_per_mm: float) -> list[Finding]:
    """A failed check for the holes that were let through, each with its place from the master's top left."""
    if not gaps:
        return []
    where = _gaps(gaps, canvas_from_picture, ppi, px_per_mm)
    return [
        Finding(
            "gaps",
            Severity.FAILED,
            f"Part of the painting is in no scan: the master has {counted(gaps)}, {where}.",
            "Scan what is missing with 30 mm or more of overlap, put it in the folder and run again; if nothing of the "
            "painting is there, all is well.",
            tuple(dict.fromkeys(name for gap in gaps for name in gap.beside)),
        )
    ]


def _gaps(gaps: Sequence[Gap], canvas_from_picture: FloatArray, ppi: float, px_per_mm: float) -> str:
    said = []
    for gap in gaps[:NAMED_GAPS]:
        place = apply(canvas_from_picture, px_per_mm * np.array([gap.x_mm, gap.y_mm]))
        x, y = (mm_from_px(float(v) + 0.5, ppi) for v in place)
        size = f"{gap.width_mm:.0f} × {gap.height_mm:.0f} mm"
        said.append(f"{size} around {x:.0f} mm from the left, {y:.0f} mm from the top")
    if len(gaps) > NAMED_GAPS:
        said.append(f"and {len(gaps) - NAMED_GAPS} smaller")
    return "; ".join(said)


def left_out_findings(left_out: Sequence[LeftOut]) -> list[Finding]:
    """A warning for each scan that another one makes needless."""
    return [
        Finding(
            "scanned-twice",
            Severity.WARNING,
            f"{one.scan_id} and {one.kept_id} show the same part of the painting. {one.kept_id} is the sharper one and "
            f"was used; {one.scan_id} has {100 * one.sharpness_fraction:.0f} % of its fine detail and was left out.",
            "Nothing to do, unless the other is the better scan: then leave this one out with --skip.",
            (one.scan_id, one.kept_id),
        )
        for one in left_out
    ]


def glass_findings(glass: Sequence[GlassSpeck]) -> list[Finding]:
    """A warning that says where to clean the glass."""
    if not glass:
        return []
    return [
        Finding(
            "dirty-glass",
            Severity.WARNING,
            dirt_words(glass),
            "It had no say in how the scans were placed. Where another scan shows the place clean, that one was used; "
            "elsewhere it is in the master. Clean the glass and scan again if it shows.",
        )
    ]


def require_reference(tone_reference: str | None, layout: Layout) -> None:
    """Raise UsageError when the tone is to follow a scan that was left out."""
    for one in layout.left_out:
        if one.scan_id == tone_reference:
            raise UsageError(
                f"--tone-reference names {one.scan_id}, left out because {one.kept_id} shows the same part, sharper.",
                advice=f"Name {one.kept_id} or another scan.",
                scan_ids=(one.scan_id, one.kept_id),
            )


def turned_findings(layout: Layout, reference_id: str) -> tuple[Finding, ...]:
    """A warning when some scans lay another way up: relief is lit from another side there."""
    turns = turns_on_glass(layout)
    turned = tuple(name for name, turn in turns.items() if turn)
    if not turned:
        return ()
    groups: dict[int, list[str]] = {}
    for name in turned:
        groups.setdefault(turns[name], []).append(name)
    how = "; ".join(f"{listed(names)} {TURN_WORDS[turn]}" for turn, names in sorted(groups.items()))
    return (
        Finding(
            "turned",
            Severity.WARNING,
            f"{len(turned)} {plural(turned, 'piece', 'pieces')} lay turned on the glass and "
            f"{plural(turned, 'was', 'were')} turned back: {how}. {_lit(turns, reference_id)}",
            "Where paint or paper has relief, its shading may change across those seams, and no joining can make it "
            "agree; published guidelines call such tiles of works with relief unreliable (FADGI, 2016). Look at those "
            "seams; for relief, scan all pieces the same way up.",
            turned,
        ),
    )


def bed_findings(layout: Layout) -> tuple[Finding, ...]:
    """A note where the scanner's shape was undone as the small turns of the scans alone show it."""
    bed = layout.bed
    shown = []
    if bed.anisotropy:
        shown.append(f"its px are {100 * bed.anisotropy:+.2f} % (± {100 * bed.sigma_anisotropy:.2f} %) wider than high")
    if bed.skew_deg:
        shown.append(f"its axes are {bed.skew_deg:+.3f}° (± {bed.sigma_skew_deg:.3f}°) off a right angle")
    if bed.source is not BedSource.UNKNOWN or not shown:
        return ()
    return (
        Finding(
            "bed-felt",
            Severity.NOTE,
            f"The scans' small turns show something of the scanner's own shape: {' and '.join(shown)}. It was undone, "
            "so that the overlaps meet; the size of the master follows from it.",
            "To know it more surely, turn one piece by a quarter and scan it again; or measure the painting, and give "
            "--width and --height.",
        ),
    )


def light_findings(tone: ToneFit) -> tuple[Finding, ...]:
    """A note where the gains rise over the painting and nothing shows whether that is the light over the glass."""
    if tone.how is ToneMatch.NONE or tone.slope_source is not SlopeSource.UNKNOWN:
        return ()
    most = max(tone.gain_slope_percent, tone.held_slope_percent)
    if most < TOLD_SLOPE_PERCENT:
        return ()
    return (
        Finding(
            "light-slope",
            Severity.NOTE,
            "Not observable: whether the light slopes over the glass. The gains of the scans rise by "
            f"{most:.0f} % from one side of the painting to the other; unequal exposure and a sloping light look alike "
            "while all scans lie the same way round.",
            "If one side of the master looks darker than the painting: scan a clean white sheet over the whole glass "
            "and add --flat FILE.",
        ),
    )


def _lit(turns: Mapping[str, int], reference_id: str) -> str:
    if turns.get(reference_id, 0):
        return (
            f"The tone follows {reference_id}, as asked, but the light in the master comes from where most scans have "
            "it."
        )
    return f"The light in the master is that of {reference_id} and of all that lay like it."
