"""`stitch status`: how every job below a folder stands."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from stitch.cli.console import answer, say
from stitch.cli.guard import guarded
from stitch.cli.options import Debug
from stitch.cli.wording import flowing

HELP = flowing("""
List every job below a folder and how it stands.

[bold]stitch status scans-of-paintings/[/bold]

checked: joined, and its size agrees. joined: its size was not checked. doubtful: a check failed. stale: scans, ties or
results changed since. missing: scans or results are gone. not joined: the scans could not be joined.
Nothing is changed.
""")
EPILOG = "Exit codes: 0 every job is joined and up to date, 1 some are not, 2 there is no job."


def status(
    ctx: typer.Context,
    root: Annotated[
        Path,
        typer.Argument(metavar="FOLDER", show_default=False, help="Where to look.", exists=True, file_okay=False),
    ],
    debug: Debug = False,
) -> None:
    with guarded(debug=debug or bool(ctx.obj)):
        from stitch.pipeline.status import State, standings

        counts: dict[State, int] = {}
        for one in standings(root):
            counts[one.state] = counts.get(one.state, 0) + 1
            answer(f"{one.state.value:<11}{one.root}{f': {one.said}' if one.said else ''}")
        if not counts:
            say(f"There is no job in {root} or below.")
            raise typer.Exit(2)
        total = sum(counts.values())
        said = ", ".join(f"{counts[state]} {state.value}" for state in State if state in counts)
        say(f"{total} {'job' if total == 1 else 'jobs'}: {said}.")
        raise typer.Exit(0 if set(counts) <= {State.CHECKED, State.JOINED} else 1)
