"""The command `evenstring`: which commands there are, and our errors turned into one line."""

from __future__ import annotations

import os
import sys
from typing import Any

import click

from evenstring import __version__
from evenstring.commands.group import CommandGroup, Row
from evenstring.errors import EvenstringError
from evenstring.text import plain, shown_lines

__all__ = ["cli", "main"]

# Our matrices are small: threads of the linear algebra would only wait for each other. Before numpy is first imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

_ROWS = {
    "demo": Row("Record an invented pack and make its report.", "rider.demo"),
    "record": Row("Record what a board sends.", "board.record"),
    "watch": Row("Watch a board, or a recording again.", "rider.watch"),
    "report": Row("Say what is uneven, why, and what to do.", "rider.report"),
    "pack": Row("Write down what is known of a pack.", "rider.pack"),
    "logbook": Row("Keep recordings, and see what changes over months.", "history.logbook"),
    "plan": Row("Say what a year of each charging habit brings.", "history.plan"),
    "import": Row("Make a recording from a table.", "files.import_table"),
    "export": Row("Write recordings in another format.", "files.export"),
    "simulate": Row("Make a recording of an invented pack.", "files.simulate"),
    "batch": Row("Report on a whole folder, the gravest first.", "bench.batch"),
    "bench": Row("Lead through a session at the bench.", "bench.bench"),
    "budget": Row("Compute the budgets of a front end.", "bench.budget"),
    "compare": Row("Say what changed between two recordings.", "bench.compare"),
    "match": Row("Propose strings of cells that are alike.", "bench.match"),
    "calibrate": Row("Calibrate a board by a reference meter.", "bench.calibrate"),
    "wiring": Row("List the sense leads, and check them.", "bench.wiring"),
    "fetch": Row("Bring a board's recordings to this disk.", "board.fetch"),
    "deploy": Row("Put the firmware on a board.", "board.deploy"),
    "virtual": Row("Start a practice board over an invented pack.", "board.virtual"),
}


@click.group(
    cls=CommandGroup,
    rows=_ROWS,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="More of each: evenstring COMMAND --help",
)
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
