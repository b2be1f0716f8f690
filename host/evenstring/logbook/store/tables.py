"""The tables of a logbook, version by version, and how an older file is brought up to date."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from evenstring.errors import InputError

__all__ = ["MIGRATIONS", "bring_up_to_date", "version_of"]

# From version k to k + 1, in order; none is ever changed, new ones are put at the end. No semicolon but between
# statements. References between tables are not looked at meanwhile: https://www.sqlite.org/lang_altertable.html
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
    # Two packs may have one name, string and number of groups: boards with identities of their own tell them apart. A
    # profile that was given is kept, and how a table was read, so that findings can be computed again; and from which
    # file a recording came, so that one that grew counts once. Copies are named by their place in the logbook's folder.
    """
    CREATE TABLE pack_of_2 (
        id INTEGER PRIMARY KEY, vehicle_id INTEGER NOT NULL REFERENCES vehicle(id), name TEXT NOT NULL,
        string_name TEXT NOT NULL, groups INTEGER NOT NULL, chemistry TEXT NOT NULL, pack_toml TEXT
    );
    INSERT INTO pack_of_2 (id, vehicle_id, name, string_name, groups, chemistry)
        SELECT id, vehicle_id, name, string_name, groups, chemistry FROM pack;
    DROP TABLE pack;
    ALTER TABLE pack_of_2 RENAME TO pack;
    CREATE INDEX pack_by_name ON pack (name);
    CREATE TABLE board (
        pack_id INTEGER NOT NULL REFERENCES pack(id) ON DELETE CASCADE, board_id TEXT NOT NULL,
        PRIMARY KEY (pack_id, board_id)
    );
    INSERT OR IGNORE INTO board (pack_id, board_id)
        SELECT r.pack_id, json_extract(f.report, '$.instrument.board_id')
        FROM finding f JOIN recording r ON r.id = f.recording_id
        WHERE json_valid(f.report)
        AND json_extract(f.report, '$.instrument.board_id') NOT IN ('', 'virtual', 'rp2040-relay', 'esp32-relay');
    ALTER TABLE recording ADD COLUMN pack_toml TEXT;
    ALTER TABLE recording ADD COLUMN wishes TEXT;
    ALTER TABLE recording ADD COLUMN origin TEXT;
    UPDATE recording SET origin = path;
    UPDATE recording SET path = 'recordings/' || substr(path, instr(path, substr(sha256, 1, 32)))
        WHERE copied = 1 AND instr(path, substr(sha256, 1, 32)) > 0;
    CREATE INDEX recording_by_origin ON recording (origin);
    """,
)


def version_of(connection: sqlite3.Connection) -> int:
    """Of the tables: the file's `user_version`; 0 in a new one."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def bring_up_to_date(connection: sqlite3.Connection, path: Path) -> None:
    """All steps that are missing, or none.

    Raises:
        InputError: it is of a later version, or no logbook.
    """
    if version_of(connection) == len(MIGRATIONS):
        return
    connection.execute("BEGIN IMMEDIATE")
    try:
        version = _looked_at(connection, path)  # again: another may have been at it
        for step in range(version, len(MIGRATIONS)):
            for statement in filter(str.strip, MIGRATIONS[step].split(";")):
                connection.execute(statement)
            connection.execute(f"PRAGMA user_version = {step + 1}")
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:  # SQLite rolls back by itself where the disk is full
            connection.execute("ROLLBACK")
        raise


def _looked_at(connection: sqlite3.Connection, path: Path) -> int:
    version = version_of(connection)
    if version > len(MIGRATIONS):
        raise InputError(
            f"{path} was written by a later evenstring (its tables are version {version}, this one knows"
            f" {len(MIGRATIONS)}): install the later one, or give another --logbook; nothing was changed"
        )
    if version == 0 and connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
        raise InputError(f"{path} is no logbook but a database of something else: give another --logbook")
    return version
