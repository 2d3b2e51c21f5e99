"""`stitch verify`: every checksum of a job again."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Annotated

import typer

from stitch.cli.console import answer, say
from stitch.cli.guard import guarded
from stitch.cli.options import Debug
from stitch.cli.wording import flowing

HELP = flowing("""
Check that the scans and the results of a job are still exactly as they were.

[bold]stitch verify scans-joined/[/bold]

Every file on the job's list of checksums is read again. Do this after copying a job to another disk, or once a
year with your archive. Nothing is changed.
""")
EPILOG = "Exit codes: 0 everything is as it was, 1 a file changed or is missing, 2 the folder is not a job."


def verify(
    ctx: typer.Context,
    job: Annotated[
        Path, typer.Argument(metavar="JOB", show_default=False, help="The job's folder.", exists=True, file_okay=False)
    ],
    debug: Debug = False,
) -> None:
    with guarded(debug=debug or bool(ctx.obj)):
        from stitch.job.checksums import Status
        from stitch.job.folder import JobFolder

        results = JobFolder(job).verify()
        for name, status in results:
            answer(f"{status.value.upper():<11}{name}")
        wrong = [name for name, status in results if status is not Status.OK]
        if not results:
            say("The list of checksums is empty.")
        elif wrong:
            say(
                f"{len(wrong)} of {len(results)} files are not as they were. If scans were moved, run: "
                f"stitch join {shlex.quote(str(job))} --scans NEWPLACE"
            )
        else:
            say(f"All {len(results)} files are as they were.")
        raise typer.Exit(0 if results and not wrong else 1)
