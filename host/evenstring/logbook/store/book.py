"""What a logbook is asked: add a recording, list packs and recordings, look whether all is as it was."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from evenstring.errors import InputError, UsageError
from evenstring.logbook.store.database import FILE, damaged
from evenstring.logbook.store.files import Seen, begins_with, copied, leftovers, remove_copy, sha256_of
from evenstring.logbook.store.findings_version import findings_version
from evenstring.logbook.store.rows import Added, Found, Listed, Source
from evenstring.logbook.store.whose import PackKey, Told, own_id, whose

__all__ = ["Book"]

_LISTED = (
    "SELECT r.pack_id, r.id, r.path, r.sha256, r.bytes, r.start_s, f.entry FROM recording r"
    " JOIN finding f ON f.rowid = (SELECT max(rowid) FROM finding WHERE recording_id = r.id)"
)
_LISTED_KINDS = (int, int, str, str, int, float | None, str)
_BESIDE = 5  # recordings that a new one is held to: our choice
_BARE = """
    DELETE FROM pack WHERE NOT EXISTS (SELECT 1 FROM recording WHERE pack_id = pack.id)
    AND NOT EXISTS (SELECT 1 FROM cleared WHERE pack_id = pack.id)
"""


class Book:
    """Questions to an open database (`database.opened`, or `database.reading` for those that change nothing)."""

    def __init__(self, connection: sqlite3.Connection, folder: Path) -> None:
        self._db, self._folder = connection, folder

    def packs(self, which: str | None = None) -> list[PackKey]:
        """All of them by vehicle and name; those of a name, or the one of a number where no pack has that name."""
        rows = self._read(
            "SELECT v.name, p.name, p.string_name, p.groups, p.chemistry, p.id, p.pack_toml FROM pack p"
            " JOIN vehicle v ON v.id = p.vehicle_id WHERE ?1 IS NULL OR p.name = ?1 OR"
            " (CAST(p.id AS TEXT) = ?1 AND NOT EXISTS (SELECT 1 FROM pack WHERE name = ?1))"
            " ORDER BY v.name, p.name, p.string_name, p.groups, p.id",
            (which,),
            (str, str, str, int, str, int, str | None),
        )
        return [PackKey(v, name, s, g, c, n, self._boards(n), toml) for v, name, s, g, c, n, toml in rows]

    def _boards(self, pack: int) -> tuple[str, ...]:
        rows = self._read("SELECT board_id FROM board WHERE pack_id = ? ORDER BY board_id", (pack,), (str,))
        return tuple(r[0] for r in rows)

    def recordings(self, which: str | None = None) -> Iterator[Listed]:
        """All recordings with their latest findings, by pack and time; of a pack by name or number, where given."""
        for pack in self.packs(which):
            yield from self.of_pack(pack)

    def of_pack(self, pack: PackKey) -> Iterator[Listed]:
        """The recordings of one pack in order of time, one after another from the disk; those without a date first."""
        query = f"{_LISTED} WHERE r.pack_id = ? ORDER BY r.start_s, r.id"
        for _pack, number, path, *rest in self._read(query, (self._number(pack),), _LISTED_KINDS):
            yield Listed(number, pack, self._folder / path, *rest)

    def beside(self, pack: PackKey, number: int, start_s: float | None, ends_s: float) -> Iterator[Listed]:
        """Recordings of a pack but this one: those of the same hours, and the latest few."""
        of_pack = f"{_LISTED} WHERE r.pack_id = ? AND r.id != ?"
        asked = self._number(pack), number
        rows = [
            *self._read(f"{of_pack} AND r.start_s < ? AND r.start_s + r.duration_s > ? LIMIT {_BESIDE}",
                        (*asked, ends_s, start_s), _LISTED_KINDS),
            *self._read(f"{of_pack} ORDER BY r.start_s DESC LIMIT {_BESIDE}", asked, _LISTED_KINDS),
        ]  # fmt: skip
        for _pack, beside, path, *rest in rows:
            yield Listed(beside, pack, self._folder / path, *rest)

    def listed(self, number: int) -> Listed:
        """One recording with its latest findings.

        Raises:
            InputError: there is no such recording.
        """
        row = next(self._read(f"{_LISTED} WHERE r.id = ?", (number,), _LISTED_KINDS), None)
        if row is None:
            raise _no_recording(number)
        pack, _number, path, *rest = row
        return Listed(number, next(p for p in self.packs() if p.number == pack), self._folder / path, *rest)

    def source(self, number: int) -> tuple[Seen, Source]:
        """The file of a recording as it was when it was added, and how it was read.

        Raises:
            InputError: there is no such recording.
        """
        query = "SELECT path, sha256, bytes, pack_toml, wishes FROM recording WHERE id = ?"
        row = next(self._read(query, (number,), (str, str, int, str | None, str | None)), None)
        if row is None:
            raise _no_recording(number)
        return Seen(self._folder / row[0], row[1], row[2]), Source(row[3], row[4])

    def origin(self, number: int) -> Path:
        """The user's own file that a recording came from, also where a copy is kept."""
        row = next(self._read("SELECT coalesce(origin, path) FROM recording WHERE id = ?", (number,), (str,)), None)
        if row is None:
            raise _no_recording(number)
        return Path(row[0])

    def known(self, sha256: str) -> tuple[int, PackKey] | None:
        """Number and pack of a recording that is here; None: it is not."""
        row = self._db.execute("SELECT id, pack_id FROM recording WHERE sha256 = ?", (sha256,)).fetchone()
        return None if row is None else (int(row[0]), next(p for p in self.packs() if p.number == row[1]))

    def of_this_version(self, number: int) -> bool:
        """Whether the findings of a recording are of this program, its version and its sources."""
        return bool(
            self._db.execute(
                "SELECT 1 FROM finding WHERE recording_id = ? AND version = ?", (number, findings_version())
            ).fetchone()
        )

    def older(self, pack: PackKey) -> int:
        """How many recordings of a pack have findings of an earlier version only."""
        row = self._db.execute(
            "SELECT count(*) FROM recording r WHERE pack_id = ? AND NOT EXISTS"
            " (SELECT 1 FROM finding WHERE recording_id = r.id AND version = ?)",
            (self._number(pack), findings_version()),
        ).fetchone()
        return int(row[0])

    def numbers(self) -> list[int]:
        """Of all recordings."""
        return [int(r[0]) for r in self._db.execute("SELECT id FROM recording ORDER BY id")]

    def pack_of(self, told: Told) -> PackKey | None:
        """The pack that a recording will be added to; None: it begins one.

        Raises:
            UsageError: that is not certain; `whose` says why.
        """
        return whose(told, self.packs())

    def add(self, file: Seen, told: Told, found: Found, *, copy: bool) -> Added:
        """Add a recording with its findings, all or nothing; again is harmless.

        Raises:
            UsageError: whose it is is not certain.
            InputError: the copy cannot be made.
        """
        kept = copied(file, self._folder) if copy else file.path.absolute()
        with self._all_or_nothing():
            here = self.known(file.sha256)
            shorter = None if here else self._shorter(file)
            if shorter:
                here = self._grown(shorter, file)
            pack = here[1] if here else self.pack_of(told)
            pack_id = pack.number if pack else self._new_pack(told.new_pack)
            if not here:
                self._learn(pack_id, told)
            number = self._row(pack_id, file, kept, copy, found)
            self._keep(number, found)
        if shorter and shorter.copy and shorter.copy != self._folder / kept:
            remove_copy(shorter.copy)
        now = next(p for p in self.packs() if p.number == pack_id)
        return Added(number, now, known=here is not None, grew=shorter is not None, new_pack=pack is None)

    def _row(self, pack_id: int, file: Seen, kept: Path, copy: bool, found: Found) -> int:
        """Of the recording; one that is here keeps its pack, and a copy that the logbook has."""
        entry, source = found.entry, found.source
        self._db.execute(
            "INSERT INTO recording (pack_id, sha256, bytes, path, copied, origin, start_s, duration_s, pack_toml,"
            " wishes) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (sha256) DO UPDATE SET bytes = excluded.bytes,"
            " path = CASE WHEN copied > excluded.copied THEN path ELSE excluded.path END,"
            " copied = max(copied, excluded.copied), origin = excluded.origin, start_s = excluded.start_s,"
            " duration_s = excluded.duration_s, pack_toml = excluded.pack_toml, wishes = excluded.wishes",
            (pack_id, file.sha256, file.size, str(kept), int(copy), str(file.path.absolute()), entry.start_s,
             entry.duration_s, source.pack_toml, source.wishes),
        )  # fmt: skip
        return int(self._db.execute("SELECT id FROM recording WHERE sha256 = ?", (file.sha256,)).fetchone()[0])

    def shorter(self, file: Seen) -> tuple[int, PackKey] | None:
        """Number and pack of the recording that a file was before it grew; None: there is none."""
        found = self._shorter(file)
        return None if found is None else self.known(found.sha256)

    def _shorter(self, file: Seen) -> _Shorter | None:
        """The recording of a file of this name that has grown since."""
        rows = self._db.execute(
            "SELECT id, sha256, bytes, copied, path FROM recording WHERE origin = ?", (str(file.path.absolute()),)
        ).fetchall()
        for number, sha256, size, was_copied, path in rows:
            if begins_with(file, sha256, size):
                return _Shorter(number, sha256, self._folder / path if was_copied else None)
        return None

    def _grown(self, shorter: _Shorter, file: Seen) -> tuple[int, PackKey] | None:
        """Give it the digest of now; what was found in the shorter one goes."""
        self._db.execute("UPDATE recording SET sha256 = ?, copied = 0 WHERE id = ?", (file.sha256, shorter.number))
        self._db.execute("DELETE FROM finding WHERE recording_id = ?", (shorter.number,))
        return self.known(file.sha256)

    def again(self, number: int, found: Found) -> None:
        """Findings of a recording that is here, computed again."""
        with self._all_or_nothing():
            self._keep(number, found)

    def _keep(self, number: int, found: Found) -> None:
        from evenstring.logbook.entry import to_text  # noqa: PLC0415  # the analysis: see rows.py

        self._db.execute(
            "INSERT OR REPLACE INTO finding (recording_id, version, entry, report) VALUES (?, ?, ?, ?)",
            (number, findings_version(), to_text(found.entry), found.report),
        )

    def met_again(self, number: int, file: Seen, *, copy: bool) -> str:
        """What changes where a recording is added that is here: its path, where it was moved; a copy, where asked."""
        was = self.source(number)[0].path
        if copy and not (self._is_copy(number) and was.is_file()):
            self._db.execute(
                "UPDATE recording SET path = ?, copied = 1 WHERE id = ?", (str(copied(file, self._folder)), number)
            )
            return "a copy is kept now"
        if file.path.absolute() == was or was.is_file():
            return ""
        self._db.execute(
            "UPDATE recording SET path = ?1, copied = 0, origin = ?1 WHERE id = ?2", (str(file.path.absolute()), number)
        )
        return f"{was} is gone: it is looked for here now"

    def _is_copy(self, number: int) -> bool:
        return bool(self._db.execute("SELECT copied FROM recording WHERE id = ?", (number,)).fetchone()[0])

    def _new_pack(self, key: PackKey) -> int:
        self._db.execute("INSERT OR IGNORE INTO vehicle (name) VALUES (?)", (key.vehicle,))
        vehicle = self._db.execute("SELECT id FROM vehicle WHERE name = ?", (key.vehicle,)).fetchone()[0]
        made = self._db.execute(
            "INSERT INTO pack (vehicle_id, name, string_name, groups, chemistry) VALUES (?, ?, ?, ?, ?)",
            (vehicle, key.name, key.string_name, key.groups, key.chemistry),
        )
        return int(made.lastrowid or 0)

    def _learn(self, pack: int, told: Told) -> None:
        """A board that measured it, and the profile that was given last."""
        if own_id(told.board_id):
            self._db.execute("INSERT OR IGNORE INTO board (pack_id, board_id) VALUES (?, ?)", (pack, told.board_id))
        if told.pack_toml is not None:
            self._db.execute("UPDATE pack SET pack_toml = ? WHERE id = ?", (told.pack_toml, pack))

    def report(self, number: int) -> str:
        """report.json of a recording, as it was when it was added.

        Raises:
            InputError: there is no such recording.
        """
        query = "SELECT report FROM finding WHERE recording_id = ? ORDER BY rowid DESC LIMIT 1"
        row = next(self._read(query, (number,), (str,)), None)
        if row is None:
            raise _no_recording(number)
        return str(row[0])

    def remove(self, number: int, reason: str | None, at_s: float) -> str:
        """Take a recording out, and the copy of it that the logbook made; what became of the file, in words.

        Raises:
            UsageError: a visit below the discard voltage would go with it that nobody cleared, and no reason is given.
        """
        path = self.source(number)[0].path
        copy = self._is_copy(number)
        one = self.listed(number)
        standing = self._standing_visits(one)
        if standing and not reason:
            raise UsageError(
                f"recording {number} holds the visit of group {' and '.join(map(str, standing))} below the discard"
                " voltage, which nobody cleared: give --note, why it is taken out; the reason is kept"
            )
        with self._all_or_nothing():
            self._db.executemany(
                "INSERT INTO cleared (pack_id, kind, groupno, at_s, reason) VALUES (?, 'removed', ?, ?, ?)",
                [(one.pack.number, group, at_s, reason) for group in standing],
            )
            self._db.execute("DELETE FROM recording WHERE id = ?", (number,))
            self._db.execute(_BARE)
        return remove_copy(path) if copy else f"its file {path} stays where it is"

    def _standing_visits(self, one: Listed) -> list[int]:
        """Groups that were below the discard voltage and not cleared since; none where that cannot be read any more."""
        try:
            visits = [int(group) for group, _v in one.figures.get("below_discard") or ()]
        except (InputError, TypeError, ValueError):
            return []
        cleared = self.cleared(one.pack)
        return [g for g in visits if g not in cleared or cleared[g][0] < (one.start_s or 0.0)]

    def clear(self, key: PackKey, group: int, reason: str, at_s: float) -> None:
        """Keep that a person dealt with a visit of a group of this very string below the discard voltage, and how."""
        self._db.execute(
            "INSERT INTO cleared (pack_id, kind, groupno, at_s, reason) VALUES (?, 'below_discard', ?, ?, ?)",
            (self._number(key), group, at_s, reason),
        )

    def cleared(self, key: PackKey) -> dict[int, tuple[float, str]]:
        """By group of this very string: when, and why, its visit below the discard voltage was cleared last."""
        query = "SELECT groupno, at_s, reason FROM cleared WHERE pack_id = ? AND kind = 'below_discard' ORDER BY at_s"
        return {group: (at_s, why) for group, at_s, why in self._read(query, (self._number(key),), (int, float, str))}

    def _number(self, key: PackKey) -> int:
        if not key.number:
            raise InputError(f"the logbook has no pack {key.name}")
        return key.number

    def complaints(self) -> Iterator[str]:
        """What is not as it was: the database itself, files that are gone or changed."""
        sound = str(self._db.execute("PRAGMA integrity_check").fetchone()[0])
        if sound != "ok":
            yield damaged(self._folder / FILE, sound.replace("\n", ", "))
        rows = self._read("SELECT id, path, sha256 FROM recording ORDER BY id", (), (int, str, str))
        for number, path, sha256 in rows:
            whole = self._folder / path
            if not whole.is_file():
                yield f"recording {number}: {whole} is gone; its findings are kept"
            elif sha256_of(whole)[0] != sha256:
                yield f"recording {number}: {whole} is not the file that was added"

    def leftovers(self) -> list[Path]:
        """What adds that were ended left in the logbook's folder."""
        rows = self._read("SELECT path FROM recording WHERE copied = 1", (), (str,))
        return leftovers(self._folder, {self._folder / r[0] for r in rows})

    def _read(self, query: str, values: tuple[object, ...], kinds: tuple[Any, ...]) -> Iterator[tuple[Any, ...]]:
        """Rows whose values are what was written: in a damaged file a name may come back as a number."""
        for row in self._db.execute(query, values):
            if not all(map(isinstance, row, kinds)):
                raise InputError(damaged(self._folder / FILE, "a row holds what was never written"))
            yield row

    @contextmanager
    def _all_or_nothing(self) -> Iterator[None]:
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._db.execute("COMMIT")
        except BaseException:
            if self._db.in_transaction:  # SQLite rolls back by itself where the disk is full
                self._db.execute("ROLLBACK")
            raise


@dataclass(frozen=True, slots=True)
class _Shorter:
    """A recording when its file was shorter, and the copy that was made of it."""

    number: int
    sha256: str
    copy: Path | None


def _no_recording(number: int) -> InputError:
    return InputError(f"the logbook has no recording {number}; `evenstring logbook list` shows their numbers")
