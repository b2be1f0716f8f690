"""Where the logbook lies, and opening it: shared by its commands. Light, since `list` waits for nothing else."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

import click

from evenstring.commands.say import say
from evenstring.logbook.store.book import Book
from evenstring.logbook.store.database import opened, reading, usual_folder

__all__ = ["book_to_add", "book_to_read", "where_option"]

_Command = TypeVar("_Command", bound=Callable[..., Any])


def where_option(of: _Command) -> _Command:
    """`--logbook FOLDER`; the command takes it as `folder`."""
    return click.option(
        "--logbook", "folder", type=click.Path(path_type=Path, file_okay=False), help="Folder of the logbook."
    )(of)


@contextmanager
def book_to_add(folder: Path | None) -> Iterator[Book]:
    """The logbook of a folder, or the usual one, made where there is none."""
    where = folder or usual_folder()
    with opened(where, _note) as connection:
        yield Book(connection, where)


@contextmanager
def book_to_read(folder: Path | None) -> Iterator[Book]:
    """The same, and nothing is written: a folder that cannot be written is read too."""
    where = folder or usual_folder()
    with reading(where, _note) as connection:
        yield Book(connection, where)


def _note(said: str) -> None:
    say(f"! {said}", err=True)
