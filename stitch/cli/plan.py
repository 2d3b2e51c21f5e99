"""`stitch plan`: how to lay the painting, before the first scan."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stitch.cli import amounts
from stitch.cli.console import answer, say
from stitch.cli.guard import guarded
from stitch.cli.lengths import Unit, parse_length_mm
from stitch.cli.options import Debug, LengthUnit
from stitch.cli.plan_words import say_figures, say_flush, say_print, scan_lines
from stitch.cli.sheets import size_mm
from stitch.cli.studio import Studio, load_studio
from stitch.cli.wording import flowing
from stitch.errors import UsageError
from stitch.model.plan import Bed, Hinge, Turn
from stitch.plan.grid import Wanted
from stitch.plan.make import make_plan
from stitch.plan.overlap import Overlap, is_raised
from stitch.plan.sheet.paper import Paper

if TYPE_CHECKING:
    from stitch.plan.figures import PrintNeed

HELP = flowing("""
Plan how to lay the painting on the scanner, before the first scan.

[bold]stitch plan --painting 610x914mm --bed 216x297mm --dpi 600[/bold]

Finds the fewest scans that cover the painting with enough overlap, and writes a sheet to print: the painting's back
with numbered pieces, where its edges lie against the bed's for each scan, and what to mind. Beside it lies plan.json.

The painting lies face down. Sizes are width by height: the painting's as it hangs, the bed's as you stand before it.
A named sheet will do, too: A2, A2 landscape, B1, letter, legal, tabloid.
""")
EPILOG = "Exit codes: 0 planned, 2 something typed is wrong, 5 trouble with the disk."
USUAL_DPI = 600.0
BED_SIDE_MM = (50.0, 2000.0)


def plan(
    ctx: typer.Context,
    painting: Annotated[
        str, typer.Option(metavar="SIZE", show_default=False, help="Width and height, e.g. 610x914mm, 24x36in or A2.")
    ],
    bed: Annotated[
        str,
        typer.Option(metavar="SIZE", show_default=False, help="The glass: across by away from you, e.g. 216x297mm."),
    ],
    dpi: Annotated[
        float | None, typer.Option(metavar="NUMBER", show_default=False, help="Resolution of the scans. Usual: 600.")
    ] = None,
    print_: Annotated[
        str | None,
        typer.Option(
            "--print", metavar="SIZE@DPI", show_default=False, help="Scan for such a print, e.g. 1016x1524mm@300."
        ),
    ] = None,
    overlap: Annotated[
        str, typer.Option(metavar="SHARE", help="What neighbours share: % of the bed's side, or a length.")
    ] = "20%",
    paper_margin: Annotated[
        str | None,
        typer.Option(metavar="LENGTH", show_default=False, help="Width of a blank border around the painted part."),
    ] = None,
    bed_margin: Annotated[
        str | None,
        typer.Option(metavar="LENGTH", show_default=False, help="Strip along the frame where paper does not lie flat."),
    ] = None,
    hinge: Annotated[
        Hinge, typer.Option(help="Side of the bed that the painting cannot hang over while the lid is on.")
    ] = Hinge.NONE,
    turn: Annotated[
        Turn, typer.Option(help="Pieces laid half around: where that spares taking the lid off; none; the far half.")
    ] = Turn.ANY,
    bits: Annotated[int, typer.Option(metavar="NUMBER", help="Bits a channel: 8 or 16.")] = 16,
    title: Annotated[str, typer.Option(metavar="TEXT", show_default=False, help="Heads the sheet.")] = "",
    paper: Annotated[Paper, typer.Option(help="Paper to print the sheet on.")] = Paper.A4,
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Where plan.json and the sheet go.")] = Path("plan"),
    studio: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            show_default=False,
            exists=True,
            dir_okay=False,
            help="File with your usual unit and scan-dpi.",
        ),
    ] = None,
    unit: LengthUnit = None,
    debug: Debug = False,
) -> None:
    with guarded(debug=debug or bool(ctx.obj)):
        usual = load_studio(studio)
        unit = unit or usual.unit
        painting_mm = size_mm(painting, what="--painting", unit=unit, side=amounts.side_mm)
        bed_mm = size_mm(bed, what="--bed", unit=unit)
        _require_bed(bed, bed_mm)
        wanted = Wanted(
            *painting_mm,
            Bed(*bed_mm, _length(bed_margin, "--bed-margin", unit), hinge),
            overlap=_overlap(overlap, unit),
            paper_margin=_length(paper_margin, "--paper-margin", unit),
            turn=turn,
        )
        need = None if print_ is None else _print_need(print_, painting_mm, unit)
        made = make_plan(wanted, dpi=_dpi(dpi, need, usual), bits=_bits(bits), title=title)
        from stitch.pipeline.planning import costs_of, write_plan  # heavy: only when there is work

        files = write_plan(made, out, paper)
        for line in scan_lines(made):
            answer(line)
        say_figures(made, costs_of(made, out))
        say_flush(made)
        if need is not None:
            say_print(made, need)
        if is_raised(wanted.overlap, made):
            say("The overlap asked for is less than placing the scans needs: it was made larger.")
        if made.has_turned:
            say("Raised paint is lit from the other side where pieces lie turned: for such work take --turn none.")
        answer(str(files.plan))
        answer(str(files.sheet))


def _length(text: str | None, what: str, unit: Unit | None) -> float:
    return 0.0 if text is None else parse_length_mm(text, what=what, unit=unit)


def _require_bed(text: str, bed_mm: tuple[float, float]) -> None:
    least, most = BED_SIDE_MM
    if not all(least <= side <= most for side in bed_mm):
        raise UsageError(
            f"--bed: {text!r} cannot be the glass of a scanner.",
            advice=f"Its sides may be {least:g} mm to {most:g} mm; is the unit right?",
        )


def _overlap(text: str, unit: Unit | None) -> Overlap:
    match = re.fullmatch(r"\s*(-?\d+(?:[.,]\d+)?)\s*%\s*", text)
    if match is None:
        return Overlap(None, parse_length_mm(text, what="--overlap", unit=unit))
    percent = float(match[1].replace(",", "."))
    if not 0 <= percent < 100:
        raise UsageError(
            f"--overlap: neighbours cannot share {percent:g} % of a scan.", advice="Write it like 20% or 40mm."
        )
    return Overlap(percent / 100)


def _print_need(text: str, painting_mm: tuple[float, float], unit: Unit | None) -> PrintNeed:
    from stitch.plan.figures import print_need

    sides, at, resolution = text.partition("@")
    try:
        print_dpi = float(resolution) if at else 300.0
    except ValueError as error:
        raise UsageError(
            f"--print: {resolution!r} is not a resolution.", advice="Write it like 1016x1524mm@300."
        ) from error
    print_dpi = amounts.dpi(print_dpi, what="--print")
    return print_need(painting_mm, size_mm(sides, what="--print", unit=unit), print_dpi)


def _dpi(typed: float | None, need: PrintNeed | None, usual: Studio) -> float:
    """The resolution typed; else the least usual one that the print needs; else the usual one."""
    from stitch.plan.figures import USUAL_DPI as OFFERED
    from stitch.plan.figures import usual_dpi

    if typed is not None:
        return amounts.dpi(typed, what="--dpi")
    if need is None:
        return float(usual.settings.get("scan_dpi", USUAL_DPI))
    found = usual_dpi(need.needed_dpi)
    if found is None:
        raise UsageError(
            f"--print: such a print asks for scans at {need.needed_dpi:,.0f} dpi; "
            f"flatbeds resolve no more than {OFFERED[-1]} dpi.",
            advice="Take a smaller print, or fewer dots per inch for one that is seen from further away.",
        )
    return found


def _bits(value: int) -> int:
    if value not in (8, 16):
        raise UsageError(f"--bits: {value} bits a channel are not known here.", advice="Take 16, or 8.")
    return value
