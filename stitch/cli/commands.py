"""The `stitch` command and its sub-commands."""

from __future__ import annotations

from typing import Annotated

import typer

from stitch import __version__
from stitch.cli import (
    check,
    cutout,
    dust,
    finish,
    join,
    paper,
    plan,
    prints,
    seams,
    size,
    status,
    ties,
    trim,
    verify,
)
from stitch.cli.console import answer
from stitch.cli.options import Debug
from stitch.cli.plain_help import PlainCommand, PlainGroup
from stitch.cli.wording import flowing

HELP = flowing("""
Join overlapping flatbed scans of one painting into one checked, seamless picture.

Start with a folder that holds all scans of the painting, and a tape measure:

[bold]stitch join scans/ --width 610mm --height 914mm[/bold]

Every command explains itself: [bold]stitch join --help[/bold]
""")

app = typer.Typer(
    name="stitch",
    cls=PlainGroup,
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode="rich",
    context_settings={"help_option_names": ["--help", "-h"]},
    pretty_exceptions_enable=False,
)
app.command("plan", cls=PlainCommand, help=plan.HELP, epilog=plan.EPILOG)(plan.plan)
app.command("check", cls=PlainCommand, help=check.HELP, epilog=check.EPILOG)(check.check)
app.command("join", cls=PlainCommand, help=join.HELP, epilog=join.EPILOG)(join.join)
app.command("ties", cls=PlainCommand, help=ties.HELP, epilog=ties.EPILOG)(ties.ties)
app.command("seams", cls=PlainCommand, help=seams.HELP, epilog=seams.EPILOG)(seams.seams)
app.command("size", cls=PlainCommand, help=size.HELP, epilog=size.EPILOG)(size.size)
app.command("paper", cls=PlainCommand, help=paper.HELP, epilog=paper.EPILOG)(paper.paper)
app.command("trim", cls=PlainCommand, help=trim.HELP, epilog=trim.EPILOG)(trim.trim)
app.command("prints", cls=PlainCommand, help=prints.HELP, epilog=prints.EPILOG)(prints.prints)
app.command("finish", cls=PlainCommand, help=finish.HELP, epilog=finish.EPILOG)(finish.finish)
app.command("dust", cls=PlainCommand, help=dust.HELP, epilog=dust.EPILOG)(dust.dust)
app.command("cutout", cls=PlainCommand, help=cutout.HELP, epilog=cutout.EPILOG)(cutout.cutout)
app.command("status", cls=PlainCommand, help=status.HELP, epilog=status.EPILOG)(status.status)
app.command("verify", cls=PlainCommand, help=verify.HELP, epilog=verify.EPILOG)(verify.verify)


def _show_version(value: bool) -> None:
    if value:
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
