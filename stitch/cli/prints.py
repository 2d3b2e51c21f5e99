"""`stitch prints`: files for the print shop, one for each size."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stitch.cli import amounts
from stitch.cli.console import answer, progress_bars, say
from stitch.cli.guard import guarded
from stitch.cli.lengths import Unit, parse_length_mm
from stitch.cli.options import Debug, FinishedPicture, LengthUnit, Memory
from stitch.cli.wording import flowing
from stitch.errors import UsageError
from stitch.model.prints import FileKind, Fit, Intent

if TYPE_CHECKING:
    from stitch.pipeline.print_plan import PrintRequest
    from stitch.pipeline.printing import PrintsSummary

HELP = flowing("""
Make files for the print shop: one for each size, with the right pixels, dpi, shape and name.

[bold]stitch prints master_trim.tif --sizes 8x10in,A4 --fit crop[/bold]

Sizes follow the work, upright or lying. A set stands for its sizes: inch, iso, square, or one of yours (--sets FILE).
Where a shape differs you choose: crop, border or stretch (up to 0.5 %), for all with --fit or for one like
A4:border. What the work cannot fill is listed and left out. Files go to a folder named by the title, with
a page to look at (prints.html) and an order slip. Nothing there is replaced without --force.
""")
EPILOG = flowing("""
Colours on a screen are not the print: order a proof before you order fifty. Sell only what is yours to copy. Exit
codes: 0 all made, 1 some sizes were left out, 2 something typed is wrong, 3 the file cannot be used, 5 trouble with
the disk.
""")


def prints(
    ctx: typer.Context,
    file: FinishedPicture,
    sizes: Annotated[
        str | None,
        typer.Option(metavar="LIST", show_default=False, help="Sizes or sets, e.g. 5x7in,8x10in:border,A4,square."),
    ] = None,
    proof: Annotated[
        str | None,
        typer.Option(
            metavar="SHEET",
            show_default=False,
            help="Only a proof on such a sheet, e.g. A4: the riskiest parts at the scale of the one size named.",
        ),
    ] = None,
    dpi: Annotated[float, typer.Option(metavar="NUMBER", help="Pixels to an inch of the print.")] = 300.0,
    fit: Annotated[
        Fit | None, typer.Option(show_default=False, help="What to do where the paper has another shape.")
    ] = None,
    keep: Annotated[
        str | None,
        typer.Option(
            metavar="X,Y[,W,H]",
            show_default=False,
            help="A place to crop around, or a region that must stay in, from the top left: 40mm,30mm,90mm,60mm.",
        ),
    ] = None,
    border: Annotated[
        str | None, typer.Option(metavar="LENGTH", show_default=False, help="Least width of a border, e.g. 10mm.")
    ] = None,
    border_colour: Annotated[str, typer.Option(metavar="COLOUR", help="white, or #RRGGBB in sRGB.")] = "white",
    bleed: Annotated[
        str | None, typer.Option(metavar="LENGTH", show_default=False, help="Picture beyond the cut, each side.")
    ] = None,
    safe: Annotated[
        str | None,
        typer.Option(metavar="LENGTH", show_default=False, help="Strip along the cut that what is kept stays out of."),
    ] = None,
    profile: Annotated[
        str, typer.Option(metavar="PROFILE", help="srgb, own (the file's), or an .icc file of the print shop.")
    ] = "srgb",
    intent: Annotated[
        Intent, typer.Option(help="How colours are brought over; relative with black point compensation.")
    ] = Intent.RELATIVE,
    format_: Annotated[FileKind, typer.Option("--format", help="How the files are written.")] = FileKind.JPEG,
    quality: Annotated[int, typer.Option(metavar="NUMBER", help="Of a JPEG, 1 to 100.")] = 92,
    max_mb: Annotated[
        float | None, typer.Option(metavar="NUMBER", show_default=False, help="Most MB that a file may have.")
    ] = None,
    max_px: Annotated[
        int | None, typer.Option(metavar="NUMBER", show_default=False, help="Most pixels along the longer side.")
    ] = None,
    allow_enlarge: Annotated[
        float, typer.Option(metavar="TIMES", help="Enlarge up to so many times, e.g. 1.25.")
    ] = 1.0,
    sets: Annotated[
        Path | None,
        typer.Option(metavar="FILE", show_default=False, exists=True, dir_okay=False, help="Sets of your own, TOML."),
    ] = None,
    title: Annotated[str | None, typer.Option(metavar="TEXT", show_default=False, help="Usual: the file's.")] = None,
    creator: Annotated[str | None, typer.Option(metavar="TEXT", show_default=False, help="Usual: the file's.")] = None,
    rights: Annotated[str | None, typer.Option(metavar="TEXT", show_default=False, help="Usual: the file's.")] = None,
    paper: Annotated[str, typer.Option(metavar="TEXT", show_default=False, help="Paper, for the order slip.")] = "",
    copies: Annotated[int, typer.Option(metavar="NUMBER", min=1, help="Copies, for the order slip.")] = 1,
    out: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", show_default=False, help="Where the title's folder goes. Usual: beside FILE."),
    ] = None,
    memory: Memory = "1GB",
    force: Annotated[bool, typer.Option("--force", metavar=" ", help="Replace files of the same names.")] = False,
    unit: LengthUnit = None,
    debug: Debug = False,
) -> None:
    with guarded(debug=debug or bool(ctx.obj)):
        from stitch.cli.print_sizes import load_sets, wanted_sizes
        from stitch.pipeline.print_plan import PrintRequest
        from stitch.prints.fit import Room

        if not 1.0 <= allow_enlarge <= 4.0:
            raise UsageError(f"--allow-enlarge: {allow_enlarge:g} cannot be.", advice="Take 1 to 4, e.g. 1.25.")
        request = PrintRequest(
            path=file,
            wanted=() if sizes is None else wanted_sizes(sizes, unit=unit, own=load_sets(sets)),
            out=out,
            dpi=amounts.dpi(dpi, what="--dpi"),
            fit=fit,
            keep_mm=kept(keep, unit),
            room=Room(*(_length(*item, unit) for item in ((bleed, "--bleed"), (safe, "--safe"), (border, "--border")))),
            border_colour=colour(border_colour),
            profile_path=None if profile in ("srgb", "own") else Path(profile),
            keeps_profile=profile == "own",
            intent=intent,
            kind=format_,
            quality=quality,
            most_mb=max_mb,
            most_px=max_px,
            most_enlarge=allow_enlarge,
            title=title,
            creator=creator,
            rights=rights,
            paper=paper,
            copies=copies,
            memory_mb=amounts.memory_mb(memory),
            force=force,
        )
        raise typer.Exit(_make(request) if proof is None else _make_proof(request, proof, unit))


def _make_proof(request: PrintRequest, sheet: str, unit: Unit | None) -> int:
    from stitch.cli.print_sizes import one_size
    from stitch.pipeline.proofing import make_proof  # heavy: only when there is work

    with progress_bars() as progress:
        path = make_proof(request, one_size(sheet, what="--proof", unit=unit), progress)
    say("Print it at 100 % on the paper that you will order, and look at it in the light it will hang in.")
    answer(str(path))
    return 0


def _make(request: PrintRequest) -> int:
    from stitch.pipeline.print_records import write_records
    from stitch.pipeline.printing import make_prints  # heavy: only when there is work

    with progress_bars() as progress:
        done = make_prints(request, progress)
    show(done)
    if done.prints:
        page, slip = write_records(done, request)
        for path in (*(one.path for one in done.prints), page, slip):
            answer(str(path))
    return 1 if done.skipped else 0


def show(done: PrintsSummary) -> None:
    """The table and what is to be known of it, on stderr: stdout is for the files' names."""
    from stitch.pipeline.print_records import cells_of, gamut_words

    if done.is_profile_assumed:
        say("The file carries no colour profile; it was taken for sRGB.")
    rows = [cells_of(one) for one in done.prints]
    if rows:
        widths = {name: max(len(name), *(len(row[name]) for row in rows)) for name in rows[0]}
        say("  ".join(name.ljust(width) for name, width in widths.items()).rstrip())
        for row in rows:
            say("  ".join(row[name].ljust(width) for name, width in widths.items()).rstrip())
        say(gamut_words(done))
    for one in done.prints:
        if one.frame.enlargement > 1:
            say(f"{one.frame.size.name} is enlarged {one.frame.enlargement:.2f} times: no detail is added.")
    for left_out in done.skipped:
        say(f"Not made: {left_out.name}: {left_out.why}.")


def kept(text: str | None, unit: Unit | None) -> tuple[float, ...] | None:
    """A place or a region in mm. Raises UsageError."""
    if text is None:
        return None
    parts = [part.strip() for part in text.split(",")]
    if len(parts) not in (2, 4) or not all(parts):
        raise UsageError(
            f"--keep: {text!r} is no place and no region.",
            advice="Write a place like 40mm,30mm or a region like 40mm,30mm,90mm,60mm: x, y, width, height.",
        )
    return tuple(parse_length_mm(part, what="--keep", unit=unit) for part in parts)


def colour(text: str) -> tuple[int, int, int]:
    """A colour in sRGB codes. Raises UsageError."""
    if text.strip().lower() == "white":
        return 255, 255, 255
    if re.fullmatch(r"#[0-9a-fA-F]{6}", text.strip()) is None:
        raise UsageError(f"--border-colour: {text!r} is no colour.", advice="Write white, or like #e8e2d6.")
    red, green, blue = bytes.fromhex(text.strip()[1:])
    return red, green, blue


def _length(text: str | None, what: str, unit: Unit | None) -> float:
    return 0.0 if text is None else parse_length_mm(text, what=what, unit=unit)
