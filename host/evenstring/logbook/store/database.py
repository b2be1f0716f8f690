"""The SQLite file of a logbook: where it lies, and how it is opened to be added to, or only read.

Write-ahead logging, so that a reader never waits and a crash loses nothing that was said to be kept
(https://www.sqlite.org/wal.html).
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

from platformdirs import user_data_path

from evenstring.errors import InputError
from evenstring.logbook.store.tables import MIGRATIONS, bring_up_to_date, version_of

__all__ = ["COPIES", "FILE", "damaged", "opened", "reading", "usual_folder"]

COPIES = "recordings"  # folder of the copies that a logbook made
FILE = "logbook.sqlite"
_MAGIC = b"SQLite format 3\0"  # published: https://www.sqlite.org/fileformat.html
_BUSY_S = 30.0  # how long one waits for another that adds: our choice
_AGAIN_S = 0.02  # our choice

Note = Callable[[str], None]


def usual_folder() -> Path:
    """Where a logbook lies when nobody says: the data folder of this system."""
    return user_data_path("evenstring", appauthor=False)


@contextmanager
def opened(folder: Path, note: Note = lambda _said: None) -> Iterator[sqlite3.Connection]:
    """The database of a folder to add to, made where there is none, brought up to date where it is older.

    Args:
        folder: of the logbook.
        note: told what the user should know of it though nothing failed.

    Raises:
        InputError: it is damaged, of a later version, read only, locked, or the disk is full.
    """
    path = folder / FILE
    with _sqlite_in_words(path):
        with _disk_in_words(path):
            folder.mkdir(parents=True, exist_ok=True)
            if not _holds_any(path, note) and not path.exists():
                _make(path)
        with _connected(path) as connection:
            _log_ahead(connection)
            connection.execute("PRAGMA synchronous = FULL")
            bring_up_to_date(connection, path)
            connection.execute("PRAGMA foreign_keys = ON")
            yield connection


@contextmanager
def reading(folder: Path, note: Note = lambda _said: None) -> Iterator[sqlite3.Connection]:
    """The database of a folder to read; nothing in it is changed, and where there is none it is empty.

    Raises:
        InputError: it is damaged, or of a later version.
    """
    path = folder / FILE
    with _sqlite_in_words(path), ExitStack() as stack:
        with _disk_in_words(path):
            place = _readable(path, stack) if _holds_any(path, note) else ":memory:"
        with _connected(place) as connection:
            bring_up_to_date(connection, path)
            connection.execute("PRAGMA query_only = ON")
            yield connection


def _readable(path: Path, stack: ExitStack) -> str:
    """How SQLite can read a database: where it is, or a copy of it, which can be brought up to date."""
    # Not mode=ro: that leaves files beside it. SQLite takes it for read only by itself where it cannot be written.
    uri = path.absolute().as_uri()
    if _is_up_to_date(f"{uri}?mode=rw"):
        return f"{uri}?mode=rw"
    ahead = Path(f"{path}-wal")
    pending = ahead.exists() and ahead.stat().st_size > 0
    # In a folder that cannot be written SQLite reads only what it may take for unchanging, without the log ahead.
    if not pending and _is_up_to_date(f"{uri}?mode=ro&immutable=1"):
        return f"{uri}?mode=ro&immutable=1"
    room = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="evenstring-")))
    with suppress(FileNotFoundError):  # another may end, and take in what it wrote ahead
        shutil.copyfile(ahead, room / ahead.name)
    shutil.copyfile(path, room / path.name)
    return (room / path.name).as_uri()


def _is_up_to_date(uri: str) -> bool:
    try:
        with _connected(uri) as connection:
            return version_of(connection) == len(MIGRATIONS)
    except sqlite3.OperationalError as error:
        if "readonly" in str(error) or "unable to open" in str(error):
            return False
        raise


@contextmanager
def _connected(place: Path | str) -> Iterator[sqlite3.Connection]:
    connection = sqlite3.connect(place, timeout=_BUSY_S, isolation_level=None, uri=isinstance(place, str))
    try:
        yield connection
    finally:
        connection.close()


def _holds_any(path: Path, note: Note) -> bool:
    """Whether there is a database; what it lost is said, and never written over."""
    if path.exists() and path.stat().st_size:
        with path.open("rb") as file:
            if file.read(len(_MAGIC)) != _MAGIC:  # SQLite takes a file of a few bytes for a new one
                raise InputError(damaged(path, "it does not begin like a database"))
        return True
    ahead = Path(f"{path}-wal")
    if ahead.exists() and ahead.stat().st_size:
        raise InputError(
            f"{path} is {'empty' if path.exists() else 'gone'}, but {ahead.name} beside it still holds some of it: put"
            " the file back from a copy, or put both aside and add the recordings again; nothing was changed"
        )
    copies = sum(1 for p in (path.parent / COPIES).glob("*") if not p.name.startswith("."))
    again = f"add them again: {path.parent / COPIES}" if copies else "add the recordings again"
    if path.exists():
        note(f"{path} is empty: what it held is not there any more, and the logbook begins anew; {again}")
    elif copies:
        note(f"{path} is gone, but {copies} copies of recordings are there: the logbook begins anew; {again}")
    return False


def _make(path: Path) -> None:
    """A new database appears whole or not at all: one that is killed leaves no empty file behind."""
    with tempfile.TemporaryDirectory(prefix=".evenstring-", dir=path.parent) as room:
        new = Path(room) / path.name
        with _connected(new) as connection:
            _log_ahead(connection)
            bring_up_to_date(connection, path)
        try:
            os.link(new, path)
        except OSError:
            if not path.exists():  # else another was quicker
                new.rename(path)  # a disk that knows no second names
    if os.name == "posix":  # the name is on the disk too before anything is said to be kept
        handle = os.open(path.parent, os.O_RDONLY)
        os.fsync(handle)
        os.close(handle)


def _log_ahead(connection: sqlite3.Connection) -> None:
    """Write ahead. For this one step SQLite does not wait for another that opens the same new file, so we do."""
    until = time.monotonic() + _BUSY_S
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            if "locked" not in str(error) or time.monotonic() > until:
                raise
            time.sleep(_AGAIN_S)


@contextmanager
def _disk_in_words(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        said = error.strerror or error
        raise InputError(
            f"{path} cannot be used ({said}): look at its folder and the disk, or give --logbook"
        ) from error


@contextmanager
def _sqlite_in_words(path: Path) -> Iterator[None]:
    """Turns what SQLite refuses into plain words; the recordings themselves are never in this file."""
    try:
        yield
    except sqlite3.Error as error:
        raise InputError(_words(path, str(error))) from error
    except UnicodeDecodeError as error:  # what SQLite says of a damaged file, with a piece of it
        raise InputError(damaged(path, "its text is no text any more")) from error


_DAMAGE = ("malformed", "not a database", "no such table", "no such column", "decode")


def _words(path: Path, said: str) -> str:
    if any(part in said for part in _DAMAGE):
        return damaged(path, said)
    if "readonly" in said or "unable to open" in said:
        return f"{path} cannot be written ({said}): look at the rights of its folder, or give --logbook"
    if "full" in said:
        return f"{path}: the disk is full; nothing was added and nothing was lost"
    if "disk I/O" in said:
        return f"{path}: the disk does not take or give it ({said}); nothing was added: look for room, and at the disk"
    if "locked" in said:
        return f"{path} is in use by another evenstring for over {_BUSY_S:.0f} s: try again"
    return f"{path}: {said}"


def damaged(path: Path, said: str) -> str:
    """What to do with a database that is damaged."""
    return (
        f"{path} is damaged ({said}): it stays as it is. Put it and the files named like it aside and add the"
        " recordings again; they are files of their own and were not touched"
    )
