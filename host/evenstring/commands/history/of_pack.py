"""Which logbook, and which pack in it: options and choice shared by commands of the logbook."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from pathlib import Path
from typing import Any, TypeVar

import click

from evenstring.errors import InputError, UsageError
from evenstring.logbook.store.book import Book, PackKey
from evenstring.logbook.store.database import opened, usual_folder

__all__ = ["known_files", "logbook_option", "one_pack", "open_book", "pack_of_logbook"]

_Command = TypeVar("_Command", bound=Callable[..., Any])


def logbook_option(of: _Command) -> _Command:
    """Give a command `--logbook`, as `folder`."""
    return click.option(
        "--logbook", "folder", type=click.Path(path_type=Path, file_okay=False), help="Folder of the logbook."
    )(of)


def pack_of_logbook(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command NAME, `--vehicle` and `--string`, as one argument `pack`."""

    @click.argument("name", required=False)
    @click.option("--vehicle", help="Of this vehicle, where several have a pack of that name.")
    @click.option("--string", help="Of this string, where the pack has several.")
    @wraps(command)
    def wrapped(*args: Any, name: str | None, vehicle: str | None, string: str | None, **rest: Any) -> Any:
        return command(*args, pack=(name, vehicle, string), **rest)

    return wrapped


@contextmanager
def open_book(folder: Path | None) -> Iterator[Book]:
    """The logbook of a folder, or the usual one.

    Raises:
        InputError: it cannot be used.
    """
    where = folder or usual_folder()
    with opened(where) as connection:
        yield Book(connection, where)


def known_files(folder: Path | None) -> dict[str, Path]:
    """Where the recordings of a logbook are, by checksum; none where there is no logbook, and none is made."""
    if not ((folder or usual_folder()) / "logbook.sqlite").is_file():
        return {}
    with open_book(folder) as book:
        return {row.sha256: row.path for row in book.recordings()}


def one_pack(book: Book, name: str | None, vehicle: str | None, string: str | None) -> PackKey:
    """The one string that is meant.

    Raises:
        InputError: there is none. UsageError: there are several.
    """
    packs = dict.fromkeys(row.pack for row in book.recordings(name))
    meant = [p for p in packs if vehicle in (None, p.vehicle) and string in (None, p.string_name)]
    if not meant:
        raise InputError("no recordings of it in the logbook yet: evenstring logbook add FILE")
    if len(meant) > 1:
        which = "; ".join(f"{p.name} (vehicle {p.vehicle}, string {p.string_name or 'not named'})" for p in meant)
        raise UsageError(f"which pack? Give NAME, --vehicle and --string: {which}")
    return meant[0]
