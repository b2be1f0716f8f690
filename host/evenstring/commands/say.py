"""The one gate for text to a terminal: nothing that came from a device, a file or a name acts on a reader's screen."""

from __future__ import annotations

from typing import Any

import click

from evenstring.text import json_text, shown_lines

__all__ = ["say", "say_json"]


def say(text: object = "", *, err: bool = False) -> None:
    """Print lines, made fit to show; `err`: to the error stream."""
    click.echo(shown_lines(text), err=err)


def say_json(value: Any) -> None:
    """Print a value as JSON and nothing else."""
    click.echo(json_text(value))
