"""`stitch check`: is everything scanned, and well, before the painting is put away?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from stitch.cli import amounts
from stitch.cli.console import answer, progress_bars, say
from stitch.cli.guard import guarded
from stitch.cli.options import Debug
from stitch.cli.watching import watched
from stitch.cli.wording import flowing
from stitch.model.findings import Severity

if TYPE_CHECKING:
    from stitch.model.check import CheckRecord

HELP = flowing("""
Check the scans while the painting still lies there.

[bold]stitch check scans/ --plan plan/plan.json[/bold]

Says in seconds which piece is missing, shares too little with its neighbours, is soft, clipped, of other exposure,
turned or mirrored, and where to clean the glass; and whether the painting may be put away. The scans are only read.

With [bold]--watch[/bold] it keeps looking while you scan, says of each scan that lands whether it is good and which
piece is next, and ends when the plan is complete, or with Ctrl-C.

Beside them it makes the folder scans-check with a page to look at, a picture of what is covered
and check.json.
""")
EPILOG = (
    "Exit codes: 0 good to put away, 1 scan something again, 2 something typed is wrong, 3 a scan cannot be used, "
    "5 trouble with the disk."
)
NAMED_MISSING = 3  # in the last line; all are in the lines above
WORDS = {Severity.FAILED: "Again", Severity.WARNING: "Mind"}


def check(
    ctx: typer.Context,
    inputs: Annotated[
        list[Path], typer.Argument(metavar="SCANS", show_default=False, help="The folder of scans, or the files.")
    ],
    plan: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            show_default=False,
            help="plan.json: names pieces by their place. Found by itself beside the scans; or none.",
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", show_default=False, help="Where the results go. Usual: SCANS-check."),
    ] = None,
    scan_dpi: Annotated[
        float | None, typer.Option(metavar="NUMBER", show_default=False, help="Resolution of scans that state none.")
    ] = None,
    only: Annotated[
        list[str] | None, typer.Option(metavar="PATTERN", show_default=False, help="Only files of these names.")
    ] = None,
    skip: Annotated[
        list[str] | None, typer.Option(metavar="PATTERN", show_default=False, help="Leave files of these names out.")
    ] = None,
    recurse: Annotated[bool, typer.Option("--recurse", metavar=" ", help="Look into sub-folders, too.")] = False,
    watch: Annotated[
        bool,
        typer.Option("--watch", metavar=" ", help="Keep looking: say of each scan that lands whether it is good."),
    ] = False,
    debug: Debug = False,
) -> None:
    with guarded(debug=debug or bool(ctx.obj)):
        dpi = None if scan_dpi is None else amounts.dpi(scan_dpi, what="--scan-dpi")
        from stitch.pipeline.check_files import require_ours, results_folder, write_check  # heavy: only for work
        from stitch.pipeline.checking import check as run
        from stitch.pipeline.plan_hint import find_plan

        hint = find_plan(None if plan is None else amounts.path_or_none(plan), inputs)
        folder = results_folder(inputs, out)
        require_ours(folder)
        chosen: dict[str, Any] = {
            "is_plan_named": hint is not None and hint.is_named,
            "only": tuple(only or ()),
            "skip": tuple(skip or ()),
            "recurse": recurse,
            "scan_dpi": dpi,
        }
        planned = None if hint is None else hint.plan
        if watch:
            raise typer.Exit(watched(inputs, planned, folder, chosen))
        with progress_bars() as progress:
            checked = run(inputs, planned, progress=progress, **chosen)
            files = write_check(checked, folder)
        show_check(checked.record)
        for path in files:
            answer(str(path))
        if checked.record.verdict.value != "good":
            raise typer.Exit(1)


def show_check(record: CheckRecord) -> None:
    """One line for each finding that matters, and the verdict."""
    for finding in reversed(record.findings):
        if finding.severity in WORDS:
            say(f"{WORDS[finding.severity]}: {finding.message} {finding.advice}".rstrip())
    placed = sum(scan.is_placed for scan in record.scans)
    say(f"{placed} of {len(record.scans)} scans placed.")
    if record.verdict.value == "good":
        say("Good to put away.")
        return
    todo = [f"scan {name} again" for name in record.scan_again]
    if record.missing:
        is_few = len(record.missing) <= NAMED_MISSING
        what = "; ".join(record.missing) if is_few else f"{len(record.missing)} missing pieces"
        todo.append(f"scan {what}")
    say(f"Do not put the painting away yet: {'; '.join(todo) or 'see above'}.")
