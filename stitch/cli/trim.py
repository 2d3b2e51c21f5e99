"""`stitch trim`: a finished master cut to its sheet or its paint, and squared."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stitch.cli import amounts
from stitch.cli.console import answer, progress_bars, say
from stitch.cli.guard import guarded
from stitch.cli.lengths import Unit, parse_length_mm
from stitch.cli.options import Debug, Force, LengthUnit, Memory, OutFolder
from stitch.cli.wording import flowing
from stitch.errors import UsageError
from stitch.model.settings import Measured, Resample

if TYPE_CHECKING:
    from stitch.pipeline.trimming import Corners, TrimSummary

HELP = flowing("""
Cut a finished master to the painting, and square it.

[bold]stitch trim scans-joined/master.tif --preview[/bold]

Finds the edges of the sheet (or of the paint inside a blank margin), undoes the turn, and the shear and taper that
scanning left, and writes NAME_trim.tif. Pixels are made anew once at most; what is square already is only cropped.
NAME_trim.png shows where it is cut; --preview draws that alone. The master is only read.
""")
EPILOG = (
    "Exit codes: 0 done, 1 done but the size is not what the tape says, 2 something typed is wrong, "
    "3 the edges are not sure enough to cut along, 5 trouble with the disk."
)


def trim(
    ctx: typer.Context,
    master: Annotated[
        Path,
        typer.Argument(metavar="MASTER", show_default=False, help="The finished picture.", exists=True, dir_okay=False),
    ],
    to: Annotated[Measured, typer.Option(help="What to cut to: the whole sheet or the painted part.")] = Measured.SHEET,
    border: Annotated[
        str | None, typer.Option(metavar="LENGTH", show_default=False, help="Keep so much around it, e.g. 5mm.")
    ] = None,
    inset: Annotated[
        str | None,
        typer.Option(metavar="LENGTH", show_default=False, help="Cut so much inside the edges, e.g. a deckle of 1mm."),
    ] = None,
    corner: Annotated[
        list[str] | None,
        typer.Option(
            metavar="X,Y",
            show_default=False,
            help="A corner by hand, from the picture's top left, e.g. 12mm,9mm. Four, clockwise from the top left.",
        ),
    ] = None,
    preview: Annotated[bool, typer.Option("--preview", metavar=" ", help="Only draw where it would be cut.")] = False,
    only_turn: Annotated[
        bool, typer.Option("--only-turn", metavar=" ", help="Undo the turn alone; leave the work's shape as it is.")
    ] = False,
    limit: Annotated[
        float, typer.Option(metavar="DEGREES", help="Most that a corner may be off a right angle and be squared.")
    ] = 0.3,
    width: Annotated[
        str | None, typer.Option(metavar="LENGTH", show_default=False, help="Width by the tape, to check it.")
    ] = None,
    height: Annotated[
        str | None, typer.Option(metavar="LENGTH", show_default=False, help="Height by the tape, to check it.")
    ] = None,
    resample: Annotated[
        Resample, typer.Option(help="How pixels are read between pixels: fine is truer and slower.")
    ] = Resample.USUAL,
    out: OutFolder = None,
    memory: Memory = "1GB",
    force: Force = False,
    unit: LengthUnit = None,
    debug: Debug = False,
) -> None:
    with guarded(debug=debug or bool(ctx.obj)):
        if border is not None and inset is not None:
            raise UsageError("--border and --inset are both given.", advice="Keep something around it, or cut inside.")
        around = 0.0 if border is None else parse_length_mm(border, what="--border", unit=unit)
        if inset is not None:
            around = -parse_length_mm(inset, what="--inset", unit=unit)
        width_mm = None if width is None else amounts.side_mm(width, what="--width", unit=unit)
        height_mm = None if height is None else amounts.side_mm(height, what="--height", unit=unit)
        corners = _corners(corner or [], unit)
        if not 0.0 < limit <= 5.0:
            raise UsageError(f"--limit: {limit:g}° cannot be.", advice="Take up to 5; 0.3 is usual.")
        memory_mb = amounts.memory_mb(memory)
        from stitch.pipeline.trimming import TrimRequest, trim  # heavy: only when there is work

        request = TrimRequest(
            master,
            out,
            to,
            around,
            corners,
            limit,
            only_turn,
            width_mm,
            height_mm,
            resample=resample,
            only_preview=preview,
            memory_mb=memory_mb,
            force=force,
        )
        with progress_bars() as progress:
            done = trim(request, progress)
        raise typer.Exit(_show(done))


def _corners(texts: list[str], unit: Unit | None) -> Corners | None:
    if not texts:
        return None
    if len(texts) != 4:
        raise UsageError(
            f"--corner was given {len(texts)} times; a painting has four corners.",
            advice="Give it four times, clockwise from the top left.",
        )
    first, second, third, fourth = (amounts.place_mm(text, what="--corner", unit=unit) for text in texts)
    return first, second, third, fourth


def _show(done: TrimSummary) -> int:
    """Print what was made on stdout, the rest on stderr, and return the exit code."""
    lean = done.lean
    if lean is None:
        say(done.why_not)
        answer(str(done.outline))
        return 3
    say(f"The painting lay turned by {lean.turn_deg:+.2f}°; its worst corner is {lean.corner_deg:.2f}° off 90°.")
    if done.picture is None:
        say("Only drawn; nothing was cut.")
    else:
        say("Square already: cropped, no pixel made anew." if done.is_whole else "Turned back with one resampling.")
    for reading in done.readings:
        tape = ""
        if reading.expected_mm is not None:
            tape = f", the tape says {reading.expected_mm:.1f} mm: {'good' if reading.is_ok else 'NOT GOOD'}"
        say(f"The {reading.name} is now {reading.measured_mm:.1f} mm{tape}.")
    for path in (done.picture, done.outline):
        if path is not None:
            answer(str(path))
    return 1 if any(reading.is_ok is False for reading in done.readings) else 0
