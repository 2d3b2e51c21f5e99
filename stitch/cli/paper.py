"""`stitch paper`: the blank paper of a master lifted to white."""

from __future__ import annotations

from typing import Annotated

import typer

from stitch.cli import amounts
from stitch.cli.console import answer, progress_bars, say
from stitch.cli.guard import guarded
from stitch.cli.options import Debug, FinishedPicture, Force, LengthUnit, Memory, OutFolder
from stitch.cli.wording import flowing

HELP = flowing("""
Lift the blank paper of a work to white, and leave the paint as it is.

[bold]stitch paper scans-joined/master.tif[/bold]

Makes NAME_paper.tif, a mask of what was lifted and a picture of before and after. Washes and lines from a stated
density on keep every value; paler ones stay as much darker than the white as they were darker than the paper. The
file you name is only read.
""")
EPILOG = (
    "Exit codes: 0 done, 2 something typed is wrong, 3 there is no blank paper to measure, 5 trouble with the disk."
)


def paper(
    ctx: typer.Context,
    file: FinishedPicture,
    white: Annotated[
        float, typer.Option(metavar="L*", help="Lightness of the white that the paper becomes, 80 to 100.")
    ] = 100.0,
    strength: Annotated[float, typer.Option(metavar="PERCENT", help="How far the paper is taken there.")] = 100.0,
    keep_texture: Annotated[
        bool, typer.Option("--keep-texture", metavar=" ", help="Keep the paper's grain instead of an even white.")
    ] = False,
    density: Annotated[
        float, typer.Option(metavar="NUMBER", help="Optical density over the paper from which a wash stays as it is.")
    ] = 0.12,
    at: Annotated[
        str | None,
        typer.Option(
            metavar="X,Y", show_default=False, help="A blank place, from the top-left corner, e.g. 20mm,30mm."
        ),
    ] = None,
    out: OutFolder = None,
    memory: Memory = "1GB",
    force: Force = False,
    unit: LengthUnit = None,
    debug: Debug = False,
) -> None:
    with guarded(debug=debug or bool(ctx.obj)):
        at_mm = None if at is None else amounts.place_mm(at, what="--at", unit=unit)
        memory_mb = amounts.memory_mb(memory)
        from stitch.pipeline.papering import PaperRequest, lift_paper  # heavy: only when there is work

        request = PaperRequest(
            file, out, white, strength / 100, keep_texture, density, at_mm, memory_mb=memory_mb, force=force
        )
        with progress_bars() as progress:
            done = lift_paper(request, progress)
        lightness, a, b = done.paper_lab
        say(f"The paper was L* {lightness:.1f}, a* {a:+.1f}, b* {b:+.1f} over {100 * done.bare_fraction:.0f} % of it.")
        say(
            f"Kept as they were: washes from density {done.wash_density:.2f} on, lines from {done.fine_density:.2f} "
            f"on. {100 * done.lifted_fraction:.0f} % of the picture was lifted."
        )
        for path in (done.picture, done.mask, done.comparison):
            answer(str(path))
