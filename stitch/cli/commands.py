"""The `stitch` command and its sub-commands."""

from __future__ import annotations

from typing import Annotated

import typer

from stitch import __version__
from stitch.cli.loaded import LoadingGroup, to_be_loaded
from stitch.cli.options import Debug
from stitch.cli.plain_help import PlainCommand
from stitch.cli.wording import flowing

HELP = flowing("""
Join overlapping flatbed scans of one painting into one checked, seamless picture.

Start with a folder that holds all scans of the painting, and a tape measure:

[bold]stitch join scans/ --width 610mm --height 914mm[/bold]

Every command explains itself: [bold]stitch join --help[/bold]
""")

SUMMARIES = {
    "plan": "Plan how to lay the painting on the scanner, before the first scan.",
    "check": "Check the scans while the painting still lies there.",
    "join": "Join overlapping scans of one painting into one seamless picture.",
    "ties": "Say by hand where scans belong, when they could not be linked.",
    "seams": "Say which scan makes a part of the master, and see the new seams first.",
    "size": "Check the size of a finished master against your tape measure.",
    "paper": "Lift the blank paper of a work to white, and leave the paint as it is.",
    "trim": "Cut a finished master to the painting, and square it.",
    "prints": "Make files for the print shop: one for each size, with the right pixels, dpi, shape and name.",
    "finish": "Do everything that follows the master, from a file of steps.",
    "dust": "Find dust and hairs in a master, and mend what is proven to be no paint.",
    "cutout": "Cut the motif out, for a sticker, a mug or a dark cloth.",
    "status": "List every job below a folder and how it stands.",
    "verify": "Check that the scans and the results of a job are still exactly as they were.",
}
"""The commands in the order of the work; each lives in a module of its name, whose help begins with the same words."""

app = typer.Typer(
    name="stitch",
    cls=LoadingGroup,
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode="rich",
    context_settings={"help_option_names": ["--help", "-h"]},
    pretty_exceptions_enable=False,
)
for name, summary in SUMMARIES.items():
    app.command(name, cls=PlainCommand, help=summary)(to_be_loaded)


def _show_version(value: bool) -> None:
    if value:
        from stitch.cli.console import answer  # with all that draws bars: only a list of commands does without

        answer(f"stitch {__version__}")
        raise typer.Exit


@app.callback(help=HELP)
def main(
    ctx: typer.Context,
    debug: Debug = False,
    version: Annotated[
        bool, typer.Option("--version", metavar=" ", callback=_show_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    ctx.obj = debug
