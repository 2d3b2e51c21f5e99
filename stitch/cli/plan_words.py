"""A plan in the terminal: one scan a line, then what it takes."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from stitch.cli.console import say
from stitch.model.geometry import Size
from stitch.model.plan import ScanPlan
from stitch.plan import figures, words
from stitch.plan.overlap import HAND_MM
from stitch.plan.rim import rim_mm

if TYPE_CHECKING:
    from stitch.pipeline.planning import Costs


def scan_lines(plan: ScanPlan) -> Iterator[str]:
    """A line for each scan, under a heading."""
    yield f"{'scan':<13}{'painting lies, face down':<26}{'left edge':<29}{'far edge':<29}shares with"
    for scan in plan.scans:
        way = words.way_up(scan.turn_deg)
        places = "".join(f"{_edge(place):<29}" for place in (scan.left_mm, scan.far_mm))
        lid = "  (lid off)" if scan.needs_lid_off else ""
        yield f"{scan.file_name:<13}{way:<26}{places}{words.shared(scan)}{lid}"


def say_figures(plan: ScanPlan, costs: Costs) -> None:
    """What the plan takes, and what can be printed from it."""
    count = len(plan.scans)
    say(
        f"{count} scans, {plan.rows} {'row' if plan.rows == 1 else 'rows'} of {plan.columns} on the painting, "
        f"at {plan.dpi:g} dpi and {plan.bits} bits."
    )
    kind = "BigTIFF, above 4 GB" if costs.is_bigtiff else "classic TIFF"
    say(
        f"A scan: {_pixels(costs.scan)}, {_amount(costs.scan_bytes)}. All of them: {_amount(count * costs.scan_bytes)}."
    )
    say(f"The master: about {_pixels(costs.master)}, {_amount(costs.master_bytes)} ({kind}).")
    free = "" if costs.free_bytes is None else f"; {_amount(costs.free_bytes)} are free here"
    say(f"Disk for scans and master: {_amount(costs.disk_bytes)}{free}. Memory: {costs.memory_mb / 1000:g} GB.")
    if costs.free_bytes is not None and costs.free_bytes < costs.disk_bytes:
        say("The disk is too small for that: free some space, or choose another place.")
    say(_time(costs))
    for one in figures.largest_prints(plan):
        made_up = "" if one.enlarged == 1 else f" enlarged {one.enlarged:g} times (no more detail)"
        say(
            f"Largest print at {one.dpi:g} dpi{made_up}: {_size(one.width_mm, one.height_mm)}, "
            f"sharp from {one.sharp_from_mm / 10:.0f} cm."
        )
    say("Sharp: from d = 1 / (dpi × tan 1′), where normal sight (20/20, one minute of arc) tells dots no longer apart.")


def say_flush(plan: ScanPlan) -> None:
    """Warn where the painting's edges lie so near to the bed's that a slip of the hand would lose a strip."""
    room_mm = rim_mm(plan)
    if room_mm < HAND_MM:
        least = "flush with" if room_mm <= 0 else f"only {words.mm(room_mm)} mm inside"
        say(
            f"Some edges of the painting lie {least} the bed's edges: what slips over them is in no scan. "
            "Lay those with care, or ask for a little less bed (--bed-margin 3mm)."
        )


def say_print(plan: ScanPlan, need: figures.PrintNeed) -> None:
    """Whether the scans are enough for the print asked for."""
    enough = "enough" if plan.dpi >= need.needed_dpi - 1e-6 else "NOT enough"
    say(
        f"That print is {need.times:.2f} times as large as the painting and needs scans at {need.needed_dpi:.0f} dpi: "
        f"{plan.dpi:g} dpi are {enough}."
    )
    if need.trimmed_mm >= 1:
        say(f"Its shape differs from the painting's: to fill it, {need.trimmed_mm:.0f} mm of the picture are cut off.")


def _edge(place_mm: float) -> str:
    told = words.edge(place_mm)
    return told if told == "flush" else f"{told} ({words.inches(place_mm)})"


def _time(costs: Costs) -> str:
    if costs.join_s is None:
        return "Time of joining: unknown, this computer could not be tested. Time of a scan: see your scanner."
    least, most = (max(1, round(seconds / 60)) for seconds in costs.join_s)
    told = f"{least} min" if least == most else f"{least} to {most} min"
    return (
        f"Joining takes about {told} here, by a test of a second just now; sheets that lift take longer. "
        "Time of a scan: see your scanner."
    )


def _size(width_mm: float, height_mm: float) -> str:
    return f"{width_mm / 10:.0f} × {height_mm / 10:.0f} cm ({width_mm / 25.4:.0f} × {height_mm / 25.4:.0f} in)"


def _pixels(size: Size) -> str:
    return f"{size.width_px} × {size.height_px} px"


def _amount(byte_count: int) -> str:
    return f"{byte_count / 1e9:.1f} GB" if byte_count >= 1e9 else f"{byte_count / 1e6:.0f} MB"
