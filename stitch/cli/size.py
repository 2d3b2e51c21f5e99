"""`stitch size`: the size check again, on any finished master."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stitch.cli import amounts
from stitch.cli.console import answer, progress_bars, say
from stitch.cli.guard import guarded
from stitch.cli.lengths import as_inches
from stitch.cli.options import Debug, LengthUnit
from stitch.cli.wording import flowing
from stitch.model.settings import Measured

if TYPE_CHECKING:
    from stitch.model.size import SizeCheck

HELP = flowing("""
Check the size of a finished master against your tape measure.

[bold]stitch size scans-joined/master.tif --width 610mm --height 914mm[/bold]

The painting's edges are found in the picture and measured along both sides and both diagonals. The picture is
only read. Works on any TIFF that states its resolution and shows some background around the painting.
""")
EPILOG = "Exit codes: 0 the size is right, 1 it is not or could not be checked, 2 something typed is wrong."


def size(
    ctx: typer.Context,
    master: Annotated[
        Path,
        typer.Argument(metavar="MASTER", show_default=False, help="The TIFF to measure.", exists=True, dir_okay=False),
    ],
    width: Annotated[
        str | None, typer.Option(metavar="LENGTH", help="Width by the tape, e.g. 610mm, 61cm or 24in.")
    ] = None,
    height: Annotated[
        str | None, typer.Option(metavar="LENGTH", help="Height by the tape; '24 1/2in' in quotes.")
    ] = None,
    measured: Annotated[
        Measured, typer.Option(help="What the tape was laid on: the whole sheet or the painted part.")
    ] = Measured.SHEET,
    tolerance: Annotated[
        str | None,
        typer.Option(metavar="LENGTH", help="How far it may be off. Usual: 1 mm or 0.25 %, plus 1 mm for the tape."),
    ] = None,
    unit: LengthUnit = None,
    debug: Debug = False,
) -> None:
    with guarded(debug=debug or bool(ctx.obj)):
        width_mm = None if width is None else amounts.side_mm(width, what="--width", unit=unit)
        height_mm = None if height is None else amounts.side_mm(height, what="--height", unit=unit)
        tolerance_mm = None if tolerance is None else amounts.tolerance_mm(tolerance, unit=unit)
        from stitch.pipeline import check_size  # heavy: only when there is work

        with progress_bars() as progress:
            check = check_size(
                master,
                width_mm=width_mm,
                height_mm=height_mm,
                measured=measured,
                tolerance_mm=tolerance_mm,
                progress=progress,
            )
        raise typer.Exit(_show(check, is_declared=width_mm is not None or height_mm is not None))


def _show(check: SizeCheck, *, is_declared: bool) -> int:
    """Print the table on stdout, the rest on stderr, and return the exit code."""
    answer(f"{'':<16}{'measured mm':>12}{'in':>8}{'tape mm':>10}{'in':>8}{'off mm':>8}")
    for reading in check.readings:
        tape = off = inches = ""
        if reading.expected_mm is not None:
            tape, inches = f"{reading.expected_mm:.1f}", as_inches(reading.expected_mm)
            off = f"{round(reading.measured_mm - reading.expected_mm, 1) + 0.0:+.1f}"  # never "-0.0"
        measured = f"{reading.measured_mm:>12.1f}{as_inches(reading.measured_mm):>8}"
        word = {True: "good", False: "NOT GOOD", None: ""}[reading.is_ok]
        answer(f"{reading.name:<16}{measured}{tape:>10}{inches:>8}{off:>8}  {word}".rstrip())
    _say_the_rest(check)
    verdicts = [reading.is_ok for reading in check.readings if reading.is_ok is not None]
    if is_declared and not verdicts:
        say("The size could not be checked.")
        return 1
    return 0 if all(verdicts) else 1


def _say_the_rest(check: SizeCheck) -> None:
    if check.is_swapped:
        say("Width and height were given the other way round; they were compared the right way.")
    for edge in check.edges:
        if not edge.is_in_view:
            say(f"The {edge.side} edge is not in view: {edge.evidence.removeprefix('not in view: ')}.")
    if check.squareness_deg is not None:
        say(f"The worst corner is {abs(check.squareness_deg):.2f}° off a right angle.")
    if check.scale_error_percent is not None:
        say(f"Scale against the tape: {check.scale_error_percent:+.2f} %.")
    for sentence in check.published_figures:
        say(sentence)
