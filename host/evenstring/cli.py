"""The command `evenstring`: finds the module of a command when it is asked for, and turns our errors into one line."""

from __future__ import annotations

import importlib
import os
import sys
from typing import Any

import click

from evenstring import __version__
from evenstring.errors import EvenstringError
from evenstring.text import plain, shown_lines

__all__ = ["cli", "main"]

# Our matrices are small: threads of the linear algebra would only wait for each other. Before numpy is first imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# Command -> module in evenstring.commands, each with a click command named `command`. Modules are imported when used.
_COMMANDS = {
    "demo": "rider.demo",
    "record": "board.record",
    "watch": "rider.watch",
    "report": "rider.report",
    "pack": "rider.pack",
    "logbook": "history.logbook",
    "plan": "history.plan",
    "import": "files.import_table",
    "export": "files.export",
    "simulate": "files.simulate",
    "batch": "bench.batch",
    "bench": "bench.bench",
    "budget": "bench.budget",
    "compare": "bench.compare",
    "match": "bench.match",
    "calibrate": "bench.calibrate",
    "wiring": "bench.wiring",
    "fetch": "board.fetch",
    "deploy": "board.deploy",
    "virtual": "board.virtual",
}


class _Lazy(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002  # signature of click
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002  # as above
        if cmd_name not in _COMMANDS:
            return None
        module = importlib.import_module(f"evenstring.commands.{_COMMANDS[cmd_name]}")
        command: click.Command = module.command
        return command


@click.group(cls=_Lazy, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, message="evenstring %(version)s")
def cli() -> None:
    """Reads every cell group of a long lithium-ion string and says what is uneven, why, and what to do.

    First time here? `evenstring demo` makes a recording on a virtual board and a report from it.

    A pack above 60 V DC can kill and any lithium-ion pack can burn: read hardware_notes before you touch one.
    """


def main(argv: list[str] | None = None) -> Any:
    """Run the command line; the exit codes are 0 done, 1 input or device at fault, 2 wrong usage, 3 by verdict."""
    try:
        code = cli.main(args=argv, prog_name="evenstring", standalone_mode=False)
    except click.exceptions.Abort:
        sys.stderr.write("evenstring: stopped\n")
        sys.exit(1)
    except click.ClickException as error:
        usage = f"{error.ctx.get_usage()}\n" if isinstance(error, click.UsageError) and error.ctx else ""
        sys.stderr.write(f"{shown_lines(usage + error.format_message(), 1000)}\n")  # it repeats what was typed
        sys.exit(2)
    except EvenstringError as error:
        sys.stderr.write(f"evenstring: {plain(error, 1000)}\n")  # a file's name may hold anything
        sys.exit(error.exit_code)
    sys.exit(code if isinstance(code, int) else 0)
