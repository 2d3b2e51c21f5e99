"""`stitch join`: what was typed becomes one request, and the pipeline does the rest."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer

from stitch.cli import amounts
from stitch.cli.console import answer, progress_bars
from stitch.cli.guard import guarded
from stitch.cli.lengths import Unit
from stitch.cli.stages import JOIN
from stitch.cli.studio import Studio, load_studio
from stitch.cli.summary import show_report_path, show_summary
from stitch.cli.wording import flowing
from stitch.errors import RegisterError
from stitch.model.request import JoinRequest
from stitch.model.settings import Compression, JoinSettings, Measured, Resample, ToneMatch

HELP = flowing("""
Join overlapping scans of one painting into one seamless picture.

Put all scans of the painting into one folder, measure the painting with a tape, and name both:

[bold]stitch join scans/ --width 610mm --height 914mm[/bold]

This makes a folder [bold]scans-joined[/bold] beside your scans. In it: master.tif (the picture), seam-map.png
(which scan made each part), report.html (open it in your browser) and checksums.sha256. Your scans are only
read, never changed. Nothing needs to be in order: file names and the order of scanning do not matter.

SCANS is that folder, or several files. To go on with a job, for instance with another resolution, name the job's
folder instead:

[bold]stitch join scans-joined/ --dpi 300[/bold]

Pieces may lie turned on the glass, by a quarter or half around. One piece turned by a quarter also shows your
scanner's own shape; [bold]--scanner FILE[/bold] keeps it for the next painting.

Note: published guidelines for digitising art advise against flatbed scanners for paintings with relief. Light
falls differently on raised paint in every scan, and more so where pieces lay turned; look at the report's worst
spots.
""")
EPILOG = (
    "When it is done, the paths of the master, the seam map and the report are printed. "
    "Exit codes: 0 done, 1 done but a check failed, 2 something typed is wrong, 3 the scans cannot be used, "
    "4 they could not be fitted together, 5 trouble with the disk, 70 a fault of stitch, 130 stopped by you."
)

PAINTING = "The painting"
MASTER = "The master"
SCANS = "The scans"
RUN = "The run"


class Turn(StrEnum):
    """How far the master is turned, degrees clockwise."""

    NONE = "0"
    QUARTER = "90"
    HALF = "180"
    THREE_QUARTERS = "270"


def _option(help_text: str, panel: str, metavar: str | None = None, **more: Any) -> Any:
    return typer.Option(help=help_text, rich_help_panel=panel, metavar=metavar, show_default=False, **more)


def _flag(name: str, help_text: str, panel: str) -> Any:
    return typer.Option(name, help=help_text, rich_help_panel=panel, metavar=" ", show_default=False)


def join(
    ctx: typer.Context,
    inputs: Annotated[
        list[Path],
        typer.Argument(metavar="SCANS", show_default=False, hidden=True),
    ],
    width: Annotated[str | None, _option("Width by the tape, e.g. 610mm, 61cm or 24in.", PAINTING, "LENGTH")] = None,
    height: Annotated[str | None, _option("Height by the tape; '24 1/2in' in quotes.", PAINTING, "LENGTH")] = None,
    measured: Annotated[
        Measured | None, _option("What the tape was laid on: the whole sheet (usual) or the painted part.", PAINTING)
    ] = None,
    tolerance: Annotated[
        str | None,
        _option("How far the size may be off. Usual: 1 mm or 0.25 %, plus 1 mm for the tape.", PAINTING, "LENGTH"),
    ] = None,
    unit: Annotated[Unit | None, _option("Unit of lengths written without one.", PAINTING)] = None,
    fit_size: Annotated[
        bool | None,
        _flag("--fit-size", "Let the tape (or a ruler: stitch ties) decide the scale, up to 1 %.", PAINTING),
    ] = None,
    allow_gaps: Annotated[
        bool | None,
        _flag("--allow-gaps", "Make a master although part of the painting is in no scan (exit code 1).", PAINTING),
    ] = None,
    title: Annotated[str | None, _option("Title, written into the master.", PAINTING, "TEXT")] = None,
    creator: Annotated[str | None, _option("Who made the painting.", PAINTING, "TEXT")] = None,
    rights: Annotated[str | None, _option("Copyright line.", PAINTING, "TEXT")] = None,
    dpi: Annotated[
        float | None, _option("Resolution of the master. Usual: that of the scans.", MASTER, "NUMBER")
    ] = None,
    allow_enlarge: Annotated[
        bool | None, _flag("--allow-enlarge", "Let --dpi be higher than the scans. Adds pixels, no detail.", MASTER)
    ] = None,
    up: Annotated[Turn | None, _option("Turn the master clockwise by this many degrees.", MASTER)] = None,
    tone_reference: Annotated[
        str | None, _option("Name of the scan whose tone the others follow.", MASTER, "SCAN")
    ] = None,
    tone: Annotated[
        ToneMatch | None,
        _option("How scans of unlike tone are matched. Usual: full. None leaves every code as scanned.", MASTER),
    ] = None,
    resample: Annotated[
        Resample | None,
        _option("How pixels are moved. Fine: straighter, finer detail; that step takes 5 times as long.", MASTER),
    ] = None,
    compression: Annotated[
        Compression | None,
        _option("How the master is packed, without loss. Usual: not at all, which opens everywhere.", MASTER),
    ] = None,
    layers: Annotated[
        bool | None,
        _flag(
            "--layers/--no-layers", "Also write each scan as a layer for a retoucher, with a mask of its part.", MASTER
        ),
    ] = None,
    profile: Annotated[
        Path | None,
        _option("Colour profile (ICC) for scans that have none.", MASTER, "FILE", exists=True, dir_okay=False),
    ] = None,
    out: Annotated[Path | None, _option("Where the job goes. Usual: SCANS-joined.", MASTER, "FOLDER")] = None,
    force: Annotated[bool, _flag("--force", "Replace files there that stitch did not write.", MASTER)] = False,
    only: Annotated[
        list[str] | None, _option("Take only files with such names: 'moon*'. May be repeated.", SCANS, "PATTERN")
    ] = None,
    skip: Annotated[
        list[str] | None, _option("Leave out files with such names. May be repeated.", SCANS, "PATTERN")
    ] = None,
    recurse: Annotated[bool, _flag("--recurse", "Look into sub-folders, too.", SCANS)] = False,
    scans: Annotated[Path | None, _option("The folder that a job's scans were moved to.", SCANS, "FOLDER")] = None,
    scan_dpi: Annotated[float | None, _option("Resolution of scans that do not state one.", SCANS, "NUMBER")] = None,
    scanner: Annotated[
        Path | None,
        _option("Your scanner's own shape. Read if the file is there, else written.", SCANS, "FILE", dir_okay=False),
    ] = None,
    flat: Annotated[
        Path | None,
        _option("Scan of a clean white sheet, for light that falls off over the glass; or none.", SCANS, "FILE"),
    ] = None,
    plan: Annotated[
        Path | None,
        _option("Plan that the scans were laid by, as a hint; or none. Found by itself beside them.", SCANS, "FILE"),
    ] = None,
    studio: Annotated[
        Path | None,
        _option("File with your usual creator, rights and so on.", RUN, "FILE", exists=True, dir_okay=False),
    ] = None,
    memory: Annotated[str | None, _option("Memory to use at most. Usual: 1GB.", RUN, "AMOUNT")] = None,
    jobs: Annotated[int | None, _option("How many cores to use. Usual: all.", RUN, "NUMBER")] = None,
    dry_run: Annotated[
        bool, _flag("--dry-run", "Only say what would be kept of the last run and what done again.", RUN)
    ] = False,
    rehash: Annotated[bool, _flag("--rehash", "Read every scan again, even if it looks unchanged.", RUN)] = False,
    timings: Annotated[bool, _flag("--timings", "Show how long each step took.", RUN)] = False,
    debug: Annotated[bool, _flag("--debug", "Show the full trace of an error.", RUN)] = False,
) -> None:
    debug = debug or bool(ctx.obj)
    with guarded(debug=debug):
        defaults = load_studio(studio)
        typed = _typed(
            unit=unit or defaults.unit,
            lengths={"width_mm": width, "height_mm": height, "tolerance_mm": tolerance},
            dpi={"dpi": dpi, "scan_dpi": scan_dpi},
            memory=memory,
            plain={
                "measured": measured,
                "title": title,
                "creator": creator,
                "rights": rights,
                "allow_enlarge": allow_enlarge,
                "fit_size": fit_size,
                "allow_gaps": allow_gaps,
                "resample": resample,
                "compression": compression,
                "layers": layers,
                "scanner_path": None if scanner is None else str(scanner.absolute()),
                "up_deg": None if up is None else int(up),
                "tone": tone,
                "tone_reference": tone_reference,
                "flat_path": None if flat is None else amounts.path_or_none(flat),
                "plan_path": None if plan is None else amounts.path_or_none(plan),
                "profile_path": None if profile is None else str(profile.absolute()),
                "jobs": None if jobs is None else amounts.jobs(jobs),
            },
        )
        request = JoinRequest(
            inputs=tuple(inputs),
            settings=JoinSettings(**{**defaults.settings, **typed}),
            given=_given(typed, defaults, is_named=studio is not None),
            out=out,
            only=tuple(only or ()),
            skip=tuple(skip or ()),
            recurse=recurse,
            scans_moved_to=scans,
            force=force,
            timings=timings,
            rehash=rehash,
        )
        raise typer.Exit(_plan(request) if dry_run else _run(request))


def _typed(
    *,
    unit: Unit | None,
    lengths: dict[str, str | None],
    dpi: dict[str, float | None],
    memory: str | None,
    plain: dict[str, Any],
) -> dict[str, Any]:
    """Settings that were typed, checked, by their field names; what was not typed is left out."""
    typed = {name: value for name, value in plain.items() if value is not None}
    for name, text in lengths.items():
        if text is not None and name == "tolerance_mm":
            typed[name] = amounts.tolerance_mm(text, unit=unit)
        elif text is not None:
            typed[name] = amounts.side_mm(text, what=f"--{name.removesuffix('_mm')}", unit=unit)
    for name, value in dpi.items():
        if value is not None:
            typed[name] = amounts.dpi(value, what=f"--{name.replace('_', '-')}")
    if memory is not None:
        typed["memory_mb"] = amounts.memory_mb(memory)
    return typed


def _given(typed: dict[str, Any], defaults: Studio, *, is_named: bool) -> tuple[str, ...]:
    """Fields that go before those a continued job has on record; a studio file counts when it was named."""
    return tuple(sorted({*typed, *(defaults.settings if is_named else ())}))


def _plan(request: JoinRequest) -> int:
    from stitch.pipeline import plan
    from stitch.pipeline.rerun import plain_step

    for step in plan(request):
        answer(plain_step(step))
    return 0


def _run(request: JoinRequest) -> int:
    from stitch.job.place import job_root
    from stitch.pipeline import join as join_scans  # heavy: only when there is work

    root = job_root(request)
    with progress_bars(JOIN) as progress:
        try:
            summary = join_scans(request, progress)
        except RegisterError:
            show_report_path(root)
            raise
    show_summary(summary, root, timings=request.timings)
    return summary.exit_code
