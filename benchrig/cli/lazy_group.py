"""A group whose commands are loaded when they are called, so that ``--help`` answers in a blink."""

from __future__ import annotations

import importlib
from typing import Any

import click

__all__ = ["LazyGroup"]


class LazyGroup(click.Group):
    """`lazy` maps a command's name to where it is (``module:name``) and its line in the help."""

    def __init__(self, *args: Any, lazy: dict[str, tuple[str, str]], **more: Any) -> None:
        super().__init__(*args, **more)
        self._lazy = lazy

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Those that are here, then those that are loaded."""
        return [*super().list_commands(ctx), *self._lazy]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Load a command that is not here."""
        if cmd_name not in self._lazy:
            return super().get_command(ctx, cmd_name)
        module, _, name = self._lazy[cmd_name][0].partition(":")
        command: click.Command = getattr(importlib.import_module(module), name)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List all without loading any."""
        here = [(name, command.get_short_help_str(80)) for name, command in self.commands.items()]
        with formatter.section("Commands"):
            formatter.write_dl([*here, *((name, line) for name, (_, line) in self._lazy.items())])
