"""The `stitch` command."""

from __future__ import annotations

import io
import os
import signal
import sys
from typing import Annotated, Any

import typer

from stitch import __version__
from stitch.cli import join, size, verify
from stitch.cli.console import answer
from stitch.cli.wording import flowing

HELP = flowing("""
Join overlapping flatbed scans of one painting into one checked, seamless picture.

Start with a folder that holds all scans of the painting, and a tape measure:

[bold]stitch join scans/ --width 610mm --height 914mm[/bold]

Every command explains itself: [bold]stitch join --help[/bold]
""")

app = typer.Typer(
    name="stitch",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode="rich",
    context_settings={"help_option_names": ["--help", "-h"]},
    pretty_exceptions_enable=False,
)
app.command("join", help=join.HELP, epilog=join.EPILOG)(join.join)
app.command("size", help=size.HELP, epilog=size.EPILOG)(size.size)
app.command("verify", help=verify.HELP, epilog=verify.EPILOG)(verify.verify)


def _show_version(value: bool) -> None:
    if value:
        answer(f"stitch {__version__}")
        raise typer.Exit


@app.callback(help=HELP)
def main(
    ctx: typer.Context,
    debug: Annotated[bool, typer.Option("--debug", metavar=" ", help="Show the full trace of an error.")] = False,
    version: Annotated[
        bool, typer.Option("--version", metavar=" ", callback=_show_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    ctx.obj = debug


def run() -> None:
    """Entry point: ends the process with an exit code."""
    _stop_cleanly_on_signals()
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace" if os.name == "nt" else "surrogateescape")
    app()


def _stop_cleanly_on_signals() -> None:
    """A closed terminal window or a request to end is met like Ctrl-C, so that scratch files go."""

    def interrupt(number: int, frame: Any) -> None:
        raise KeyboardInterrupt

    for name in ("SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), interrupt)
