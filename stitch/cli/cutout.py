"""`stitch cutout`: the motif on a transparent ground."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from stitch.cli import amounts
from stitch.cli.console import answer, progress_bars, say
from stitch.cli.guard import guarded
from stitch.cli.lengths import parse_length_mm
from stitch.cli.options import Debug, FinishedPicture, Force, LengthUnit, Memory, OutFolder
from stitch.cli.wording import flowing

HELP = flowing("""
Cut the motif out, for a sticker, a mug or a dark cloth.

[bold]stitch cutout scans-joined/master_paper.tif --width 50mm --dpi 300[/bold]

Makes NAME_cutout.png with a transparent ground, a mask, and a picture of the motif on white, black and mid-grey. The
ground's colour is taken out of soft edges. Where you disagree, paint white (motif) or black (ground) over the mask,
save it under another name and give it with --marks. The file you name is only read.
""")
EPILOG = (
    "Exit codes: 0 done, 2 something typed is wrong, 3 the ground cannot be told from the motif, "
    "5 trouble with the disk."
)


def cutout(
    ctx: typer.Context,
    file: FinishedPicture,
    ground: Annotated[
        str | None,
        typer.Option(
            metavar="X,Y", show_default=False, help="A place on the ground, e.g. 5mm,5mm. Usual: along the border."
        ),
    ] = None,
    holes: Annotated[
        bool, typer.Option("--holes", metavar=" ", help="Open what shows the ground inside the motif, too.")
    ] = False,
    marks: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", show_default=False, exists=True, dir_okay=False, help="The mask with your marks on it."
        ),
    ] = None,
    margin: Annotated[str, typer.Option(metavar="LENGTH", help="Left free around the motif.")] = "2mm",
    width: Annotated[
        str | None, typer.Option(metavar="LENGTH", show_default=False, help="Width of the result, margin included.")
    ] = None,
    height: Annotated[str | None, typer.Option(metavar="LENGTH", show_default=False, help="Or its height.")] = None,
    dpi: Annotated[
        float | None, typer.Option(metavar="NUMBER", show_default=False, help="Its resolution. Usual: the file's.")
    ] = None,
    bits: Annotated[int, typer.Option(metavar="NUMBER", help="Bits a channel: 8 or 16.")] = 16,
    out: OutFolder = None,
    memory: Memory = "1GB",
    force: Force = False,
    unit: LengthUnit = None,
    debug: Debug = False,
) -> None:
    with guarded(debug=debug or bool(ctx.obj)):
        ground_mm = None if ground is None else amounts.place_mm(ground, what="--ground", unit=unit)
        margin_mm = 0.0 if margin.strip() == "0" else parse_length_mm(margin, what="--margin", unit=unit)
        width_mm, height_mm = (
            None if text is None else parse_length_mm(text, what=what, unit=unit)
            for text, what in ((width, "--width"), (height, "--height"))
        )
        wanted_dpi = None if dpi is None else amounts.dpi(dpi, what="--dpi")
        memory_mb = amounts.memory_mb(memory)
        from stitch.pipeline.cutting_out import CutoutRequest, cut_out  # heavy: only when there is work

        request = CutoutRequest(
            file, out, ground_mm, holes, marks, margin_mm, width_mm, height_mm, wanted_dpi, bits, memory_mb, force
        )
        with progress_bars() as progress:
            done = cut_out(request, progress)
        say(
            f"{done.size.width_px} × {done.size.height_px} px, {done.width_mm:.1f} × {done.height_mm:.1f} mm at "
            f"{done.dpi:g} dpi, {bits} bits a channel. Look at it on white, black and mid-grey."
        )
        for path in (done.picture, done.mask, done.comparison):
            answer(str(path))
