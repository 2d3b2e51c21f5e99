"""`stitch finish`: the whole chain after the master, from a file of steps."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stitch.cli import amounts
from stitch.cli.console import answer, progress_bars, say
from stitch.cli.guard import guarded
from stitch.cli.options import Debug, LengthUnit, Memory
from stitch.cli.wording import flowing
from stitch.errors import WriteError

if TYPE_CHECKING:
    from stitch.pipeline.finishing import FinishSummary

HELP = flowing("""
Do everything that follows the master, from a file of steps.

[bold]stitch finish scans-joined/ --init[/bold]   (once: writes steps.toml with every choice explained)

[bold]stitch finish scans-joined/[/bold]

Trim, paper, prints, proof: what steps.toml lists, in its order. After a change only what it touches is made again.
Results, and one page with all checksums, lie in finished/ beside the master, which is never changed. Years later the
same command makes one size more, or with --only one size again, and says which files another version made.
""")
EPILOG = (
    "Exit codes: 0 done, 1 some sizes were left out, 2 something typed is wrong, 3 a step could not be done, "
    "5 trouble with the disk."
)


def finish(
    ctx: typer.Context,
    job: Annotated[
        Path,
        typer.Argument(metavar="JOB", show_default=False, help="A job's folder, or a finished picture.", exists=True),
    ],
    init: Annotated[bool, typer.Option("--init", metavar=" ", help="Write steps.toml to begin with.")] = False,
    steps: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            show_default=False,
            exists=True,
            dir_okay=False,
            help="The file of steps. Usual: steps.toml beside the master.",
        ),
    ] = None,
    only: Annotated[
        str | None, typer.Option(metavar="SIZES", show_default=False, help="Only these sizes, e.g. 16x20in,A3.")
    ] = None,
    memory: Memory = "1GB",
    force: Annotated[bool, typer.Option("--force", metavar=" ", help="Replace results that were changed.")] = False,
    unit: LengthUnit = None,
    debug: Debug = False,
) -> None:
    with guarded(debug=debug or bool(ctx.obj)):
        from stitch.cli.finish_steps import STEPS, Around, ready_steps  # heavy: only when there is work
        from stitch.finish.steps import FILE_NAME, load_wishes
        from stitch.pipeline.finishing import finish, master_of

        master = master_of(job)
        path = steps or master.parent / FILE_NAME
        if init:
            _write_first(path)
            return
        around = Around(amounts.memory_mb(memory), force, unit, path.absolute().parent)
        chain = ready_steps(load_wishes(path, tuple(STEPS)), around)
        sizes = [] if only is None else [name.strip() for name in only.split(",")]
        with progress_bars() as progress:
            done = finish(master, chain, only=sizes, force=force, progress=progress)
        raise typer.Exit(_show(done))


def _write_first(path: Path) -> None:
    from stitch.finish.steps import DEFAULT
    from stitch.job.whole import write_text_whole

    if path.exists():
        raise WriteError(f"{path} exists already.", advice="Edit it, or move it away first.")
    write_text_whole(path, DEFAULT)
    say("Every line is explained. Change what you like, then run the same command without --init.")
    answer(str(path))


def _show(done: FinishSummary) -> int:
    for part in done.parts:
        said = "kept" if part.is_kept else "made"
        other = f", by {part.made_with}" if part.is_kept else ""
        before = f"; it was made with {part.made_before_with} before" if part.made_before_with else ""
        say(f"{part.step} {part.name}".strip() + f": {said}{other}{before}")
        if not part.is_kept:
            for path in part.files:
                answer(str(path))
    for said in done.missing:
        say(f"Not made: {said}.")
    answer(str(done.page))
    answer(str(done.checksums))
    return 1 if done.missing else 0
