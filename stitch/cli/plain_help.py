"""Help without marks that only programmers read: no `<bool>` beside a switch, no braces around a name."""

from __future__ import annotations

from typing import Any

from typer.core import TyperCommand, TyperGroup


class _Plain:
    """Mixed into commands and groups."""

    def get_help_option(self, ctx: Any) -> Any:
        option = super().get_help_option(ctx)  # type: ignore[misc]
        if option is not None:
            option.metavar = " "
        return option

    def collect_usage_pieces(self, ctx: Any) -> list[str]:
        return [piece.replace("{", "").replace("}", "") for piece in super().collect_usage_pieces(ctx)]  # type: ignore[misc]


class PlainCommand(_Plain, TyperCommand):
    """A command with plain help."""


class PlainGroup(_Plain, TyperGroup):
    """The command that holds the others, with plain help."""
