"""What a logbook is asked: add a recording, list packs and recordings, look whether all is as it was."""

from __future__ import annotations

import hashlib
import shutil
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from evenstring import __version__
from evenstring.errors import InputError
from evenstring.io.files import make_folder, new_file
from evenstring.logbook.entry import Entry, from_text, to_text

__all__ = ["Added", "Book", "Listed", "PackKey", "sha256_of"]

VERSION = f"{__version__}/1"  # of findings: analysis, and what an entry holds


@dataclass(frozen=True, slots=True)
class PackKey:
    """What tells one string from another."""

    vehicle: str
    name: str
    string_name: str
    groups: int
    chemistry: str


@dataclass(frozen=True, slots=True)
class Listed:
    """One recording as it stands in the logbook."""

    number: int
    pack: PackKey
    path: Path
    sha256: str
    size: int
    start_s: float | None
    entry: Entry


@dataclass(frozen=True, slots=True)
class Added:
    """What adding came to: the recording's number, and whether it was there already."""

    number: int
    known: bool


def sha256_of(path: Path) -> tuple[str, int]:
    """Digest and length of a file.

    Raises:
        InputError: it cannot be read.
    """
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest(), file.tell()
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror or error}") from error


class Book:
    """Questions to an open database (`database.opened`)."""

    def __init__(self, connection: sqlite3.Connection, folder: Path) -> None:
        self._db, self._folder = connection, folder

    def known(self, sha256: str) -> int | None:
        """The number of a recording whose findings of this version are here; None: it is to be looked at."""
        row = self._db.execute(
            "SELECT r.id FROM recording r JOIN finding f ON f.recording_id = r.id WHERE r.sha256 = ? AND f.version = ?",
            (sha256, VERSION),
        ).fetchone()
        return None if row is None else int(row[0])

    def add(self, path: Path, key: PackKey, entry: Entry, report: str, *, copy: bool) -> Added:
        """Add a recording with its findings, all or nothing; again is harmless."""
        sha256, size = sha256_of(path)
        kept = self._copied(path, sha256) if copy else path.absolute()
        self._db.execute("BEGIN IMMEDIATE")
        try:
            pack_id = self._pack(key)
            row = self._db.execute("SELECT id FROM recording WHERE sha256 = ?", (sha256,)).fetchone()
            if row is None:
                number = self._db.execute(
                    "INSERT INTO recording (pack_id, sha256, bytes, path, copied, start_s, duration_s)"
                    " VALUES (?, ?, ?, ?, ?, ?, ?)",
                    (pack_id, sha256, size, str(kept), int(copy), entry.start_s, entry.duration_s),
                ).lastrowid
            else:
                number = row[0]
            self._db.execute(
                "INSERT OR REPLACE INTO finding (recording_id, version, entry, report) VALUES (?, ?, ?, ?)",
                (number, VERSION, to_text(entry), report),
            )
            self._db.execute("COMMIT")
        except BaseException:
            if self._db.in_transaction:  # SQLite rolls back by itself where the disk is full
                self._db.execute("ROLLBACK")
            raise
        return Added(int(number or 0), row is not None)

    def _copied(self, path: Path, sha256: str) -> Path:
        """The file among the logbook's own, under its digest."""
        folder = self._folder / "recordings"
        make_folder(folder)
        to = folder / f"{sha256[:32]}{path.suffix}"
        if not to.exists():
            with path.open("rb") as source, new_file(to) as target:
                shutil.copyfileobj(source, target)
        return to

    def _pack(self, key: PackKey) -> int:
        self._db.execute("INSERT OR IGNORE INTO vehicle (name) VALUES (?)", (key.vehicle,))
        vehicle = self._db.execute("SELECT id FROM vehicle WHERE name = ?", (key.vehicle,)).fetchone()[0]
        one = (vehicle, key.name, key.string_name, key.groups)
        self._db.execute(
            "INSERT OR IGNORE INTO pack (vehicle_id, name, string_name, groups, chemistry) VALUES (?, ?, ?, ?, ?)",
            (*one, key.chemistry),
        )
        return int(
            self._db.execute(
                "SELECT id FROM pack WHERE vehicle_id = ? AND name = ? AND string_name = ? AND groups = ?", one
            ).fetchone()[0]
        )

    def recordings(self, pack: str | None = None) -> Iterator[Listed]:
        """All recordings with their latest findings, by pack and time; of a pack by its name, where given."""
        rows = self._db.execute(
            "SELECT r.id, v.name, p.name, p.string_name, p.groups, p.chemistry, r.path, r.sha256, r.bytes, r.start_s,"
            " f.entry FROM recording r JOIN pack p ON p.id = r.pack_id JOIN vehicle v ON v.id = p.vehicle_id"
            " JOIN finding f ON f.recording_id = r.id AND f.rowid ="
            " (SELECT max(rowid) FROM finding WHERE recording_id = r.id)"
            " WHERE ?1 IS NULL OR p.name = ?1 ORDER BY v.name, p.name, p.string_name, p.groups, r.start_s, r.id",
            (pack,),
        )
        for r in rows:
            yield Listed(r[0], PackKey(*r[1:6]), Path(r[6]), r[7], r[8], r[9], from_text(r[10]))

    def report(self, number: int) -> str:
        """report.json of a recording, as it was when it was added.

        Raises:
            InputError: there is no such recording.
        """
        row = self._db.execute(
            "SELECT report FROM finding WHERE recording_id = ? ORDER BY rowid DESC LIMIT 1", (number,)
        ).fetchone()
        if row is None:
            raise InputError(f"the logbook has no recording {number}; `evenstring logbook list` shows their numbers")
        return str(row[0])

    def remove(self, number: int) -> None:
        """Take a recording out; its file stays where it is."""
        self.report(number)
        with self._db:
            self._db.execute("DELETE FROM recording WHERE id = ?", (number,))

    def clear(self, key: PackKey, group: int, reason: str, at_s: float) -> None:
        """Keep that a person dealt with a visit of a group of this very string below the discard voltage, and how."""
        self._db.execute(
            "INSERT INTO cleared (pack_id, kind, groupno, at_s, reason) VALUES (?, 'below_discard', ?, ?, ?)",
            (self._number(key), group, at_s, reason),
        )

    def cleared(self, key: PackKey) -> dict[int, tuple[float, str]]:
        """By group of this very string: when, and why, its visit below the discard voltage was cleared last."""
        rows = self._db.execute(
            "SELECT groupno, at_s, reason FROM cleared WHERE pack_id = ? ORDER BY at_s", (self._number(key),)
        )
        return {int(g): (float(t), str(why)) for g, t, why in rows}

    def _number(self, key: PackKey) -> int:
        """Of a string that is here; two vehicles may have packs of one name, and a pack strings of one name."""
        row = self._db.execute(
            "SELECT p.id FROM pack p JOIN vehicle v ON v.id = p.vehicle_id"
            " WHERE v.name = ? AND p.name = ? AND p.string_name = ? AND p.groups = ?",
            (key.vehicle, key.name, key.string_name, key.groups),
        ).fetchone()
        if row is None:
            raise InputError(f"the logbook has no pack {key.name}")
        return int(row[0])

    def complaints(self) -> list[str]:
        """What is not as it was: the database itself, files that are gone or changed."""
        sound = str(self._db.execute("PRAGMA integrity_check").fetchone()[0])
        said = [] if sound == "ok" else [f"the database is damaged: {sound}"]
        for number, path, sha256 in self._db.execute("SELECT id, path, sha256 FROM recording ORDER BY id"):
            if not Path(path).is_file():
                said.append(f"recording {number}: {path} is gone; its findings are kept")
            elif sha256_of(Path(path))[0] != sha256:
                said.append(f"recording {number}: {path} is not the file that was added")
        return said
