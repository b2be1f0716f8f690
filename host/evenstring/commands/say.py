"""The one gate for text to a terminal: nothing that came from a device, a file or a name acts on a reader's screen."""

from __future__ import annotations

import shutil
import sys
import textwrap
from typing import Any

import click

from evenstring.text import json_text, plain, shown_lines

__all__ = ["say", "say_folded", "say_json"]

_INDENT, _WIDEST = 6, 100  # columns: of what a folded line goes on with, and of any line; our choice


def say(text: object = "", *, err: bool = False) -> None:
    """Print lines, made fit to show; `err`: to the error stream."""
    click.echo(shown_lines(text), err=err)


def say_folded(line: object, *, err: bool = False) -> None:
    """Print one line; a terminal gets it folded between words, what is no terminal gets it as it is."""
    shown = plain(line, 2000)
    if (sys.stderr if err else sys.stdout).isatty():
        width = min(shutil.get_terminal_size().columns, _WIDEST)
        own = len(shown) - len(shown.lstrip()) + 2 * shown.lstrip().startswith("- ")
        shown = textwrap.fill(shown, width, subsequent_indent=" " * (own or _INDENT))
    click.echo(shown, err=err)


def say_json(value: Any) -> None:
    """Print a value as JSON and nothing else."""
    click.echo(json_text(value))
