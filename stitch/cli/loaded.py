"""Sub-commands whose modules are loaded only when they are called: a list of them must come at once."""

from __future__ import annotations

import importlib
from typing import Any

import typer
from typer.main import get_command

from stitch.cli.plain_help import PlainCommand, PlainGroup


def to_be_loaded() -> None:
    """Stands for a command until it is called."""


def loaded(name: str) -> Any:
    """The command of that name: the function of that name in the module of that name, with its HELP and EPILOG."""
    module = importlib.import_module(f"stitch.cli.{name}")
    alone = typer.Typer(add_completion=False, rich_markup_mode="rich", pretty_exceptions_enable=False)
    alone.command(name, cls=PlainCommand, help=module.HELP, epilog=module.EPILOG)(getattr(module, name))
    return get_command(alone)


class LoadingGroup(PlainGroup):
    """The command that holds the others, which it loads when they are called."""

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """Name, command and words left, as the group itself has it."""
        name, command, rest = super().resolve_command(ctx, args)
        return name, None if command is None else loaded(command.name or ""), rest
