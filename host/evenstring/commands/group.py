"""A group of commands: alone it shows its help, a mistyped name gets the nearest, modules load when they are used."""

from __future__ import annotations

import importlib
from difflib import get_close_matches
from typing import Any, NamedTuple

import click

from evenstring.commands.say import say

__all__ = ["CommandGroup", "Row"]


class Row(NamedTuple):
    """One command: its line in the help of its group, and where it is; no module: it is put into the group itself."""

    line: str
    module: str = ""
    name: str = "command"


class CommandGroup(click.Group):
    """Commands in the order of their rows."""

    def __init__(self, *args: Any, rows: dict[str, Row], **attrs: Any) -> None:
        super().__init__(*args, **attrs)
        self.rows = rows

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002  # signature of click
        """All of them."""
        return list(self.rows)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command, its module imported now; None where there is none of that name."""
        row = self.rows.get(cmd_name)
        if row is None or not row.module:
            return super().get_command(ctx, cmd_name)
        command: click.Command = getattr(importlib.import_module(f"evenstring.commands.{row.module}"), row.name)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """As click does; who mistypes is told what is near."""
        near = get_close_matches(args[0], self.rows, n=2, cutoff=0.6)
        if near and args[0] not in self.rows and not args[0].startswith("-"):
            raise click.UsageError(f"No such command {args[0]!r}. Did you mean {' or '.join(near)}?", ctx)
        return super().resolve_command(ctx, args)

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Without a command: the help, and all is well."""
        if not args and not ctx.resilient_parsing:
            say(ctx.get_help())
            ctx.exit()
        return super().parse_args(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002  # as above
        """From the rows, so that no module is imported for it."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, row.line) for name, row in self.rows.items()])
