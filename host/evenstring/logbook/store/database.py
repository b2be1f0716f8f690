"""The SQLite file of a logbook: where it lies, its tables, and how an older one is brought up to date.

Write-ahead logging, so that a reader never waits and a crash loses nothing that was said to be kept
(https://www.sqlite.org/wal.html). The version of the tables is the file's `user_version`.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from platformdirs import user_data_path

from evenstring.errors import InputError
from evenstring.io.files import make_folder

__all__ = ["MIGRATIONS", "opened", "usual_folder"]

_FILE = "logbook.sqlite"
_BUSY_S = 30.0  # how long one waits for another that adds: our choice
_AGAIN_S = 0.02  # our choice
# From version k to k + 1, in order; none is ever changed, new ones are put at the end.
MIGRATIONS = (
    """
    CREATE TABLE vehicle (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE);
    CREATE TABLE pack (
        id INTEGER PRIMARY KEY, vehicle_id INTEGER NOT NULL REFERENCES vehicle(id), name TEXT NOT NULL,
        string_name TEXT NOT NULL, groups INTEGER NOT NULL, chemistry TEXT NOT NULL,
        UNIQUE (vehicle_id, name, string_name, groups)
    );
    CREATE TABLE recording (
        id INTEGER PRIMARY KEY, pack_id INTEGER NOT NULL REFERENCES pack(id), sha256 TEXT NOT NULL UNIQUE,
        bytes INTEGER NOT NULL, path TEXT NOT NULL, copied INTEGER NOT NULL, start_s REAL, duration_s REAL NOT NULL
    );
    CREATE TABLE finding (
        recording_id INTEGER NOT NULL REFERENCES recording(id) ON DELETE CASCADE, version TEXT NOT NULL,
        entry TEXT NOT NULL, report TEXT NOT NULL, PRIMARY KEY (recording_id, version)
    );
    CREATE TABLE cleared (
        pack_id INTEGER NOT NULL REFERENCES pack(id), kind TEXT NOT NULL, groupno INTEGER NOT NULL,
        at_s REAL NOT NULL, reason TEXT NOT NULL
    );
    CREATE INDEX recording_by_pack ON recording (pack_id, start_s);
    """,
)


def usual_folder() -> Path:
    """Where a logbook lies when nobody says: the data folder of this system."""
    return user_data_path("evenstring", appauthor=False)


@contextmanager
def opened(folder: Path) -> Iterator[sqlite3.Connection]:
    """The database of a folder, made where there is none, brought up to date where it is older.

    Raises:
        InputError: it is damaged, of a later version, read only, locked, or the disk is full.
    """
    make_folder(folder)
    path = folder / _FILE
    try:
        connection = sqlite3.connect(path, timeout=_BUSY_S, isolation_level=None)
    except sqlite3.Error as error:
        raise _refused(path, error) from error
    try:
        connection.execute("PRAGMA foreign_keys = ON")
        _log_ahead(connection)
        connection.execute("PRAGMA synchronous = FULL")
        _migrate(connection, path)
        yield connection
    except sqlite3.Error as error:
        raise _refused(path, error) from error
    finally:
        connection.close()


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


def _migrate(connection: sqlite3.Connection, path: Path) -> None:
    version = _version(connection)
    if version > len(MIGRATIONS):
        raise InputError(
            f"{path} was written by a later evenstring (its tables are version {version}, this one knows"
            f" {len(MIGRATIONS)}): install the later one, or give another --logbook; nothing was changed"
        )
    if version == len(MIGRATIONS):
        return
    connection.execute("BEGIN IMMEDIATE")
    try:
        for step in range(_version(connection), len(MIGRATIONS)):
            for statement in filter(str.strip, MIGRATIONS[step].split(";")):
                connection.execute(statement)
            connection.execute(f"PRAGMA user_version = {step + 1}")
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:  # SQLite rolls back by itself where the disk is full
            connection.execute("ROLLBACK")
        raise


def _version(connection: sqlite3.Connection) -> int:
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def _refused(path: Path, error: sqlite3.Error) -> InputError:
    """What went wrong in plain words; the recordings themselves are never in this file."""
    said = str(error)
    if "malformed" in said or "not a database" in said:
        return InputError(
            f"{path} is damaged ({said}): put it aside and add the recordings again; they are files of their own and"
            " were not touched"
        )
    if "readonly" in said or "unable to open" in said:
        return InputError(f"{path} cannot be written ({said}): look at the rights of its folder, or give --logbook")
    if "full" in said:
        return InputError(f"{path}: the disk is full; nothing was added and nothing was lost")
    if "locked" in said:
        return InputError(f"{path} is in use by another evenstring for over {_BUSY_S:.0f} s: try again")
    return InputError(f"{path}: {said}")
