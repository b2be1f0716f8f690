"""A logbook of any earlier version is read; what a later one wrote, or something else, is left as it is."""

from __future__ import annotations

import hashlib
import shutil
import sqlite3
from pathlib import Path

import pytest
from click.testing import CliRunner
from evenstring.cli import cli
from evenstring.errors import InputError
from evenstring.logbook.store import tables
from evenstring.logbook.store.book import Book
from evenstring.logbook.store.database import opened, reading
from evenstring.logbook.store.tables import MIGRATIONS

from tests.host.logbook.store.books import add, numbers

DATA = Path(__file__).resolve().parents[3] / "data"
FIRST = DATA / "logbook" / "first.sqlite"


@pytest.fixture
def first(tmp_path: Path) -> Path:
    """The folder of a logbook that the first version wrote."""
    (tmp_path / "book").mkdir()
    shutil.copyfile(FIRST, tmp_path / "book" / "logbook.sqlite")
    return tmp_path


def dump(path: Path, query: str) -> list[tuple[object, ...]]:
    with sqlite3.connect(path) as db:
        return db.execute(query).fetchall()


def test_the_old_logbook_is_of_the_first_version() -> None:
    assert dump(FIRST, "PRAGMA user_version") == [(1,)]


@pytest.mark.parametrize("way", [opened, reading])
def test_the_first_version_is_read_with_all_that_is_in_it(first: Path, way: object) -> None:
    texts = dump(FIRST, "SELECT entry, report FROM finding ORDER BY recording_id")
    context = opened if way is opened else reading
    with context(first / "book") as db:
        book = Book(db, first / "book")
        rows = sorted(book.recordings(), key=lambda r: r.number)
        van = rows[1].pack
        cleared = book.cleared(van)
        reports = [book.report(r.number) for r in rows]

    assert [(r.figures_text, report) for r, report in zip(rows, reports, strict=True)] == texts
    assert [r.path.as_posix() for r in rows] == ["/media/cart/towpath.frames", "/media/van/evening.frames"]
    assert (rows[0].pack.vehicle, rows[0].pack.string_name, rows[0].pack.groups) == ("towpath handcart", "towpath", 24)
    assert (rows[0].pack.boards, van.boards) == ((), ("van-1",))  # as the reports of that day say
    assert cleared == {5: (1.78e9, "cells of group 5 replaced (invented)")}
    assert rows[1].entry.ended == "full"


def test_only_reading_an_older_logbook_leaves_it_as_it_is(first: Path) -> None:
    path = first / "book" / "logbook.sqlite"
    before = path.read_bytes()
    listed = CliRunner().invoke(cli, ["logbook", "list", "--logbook", str(first / "book")])

    assert "Harbour library van" in listed.output
    assert path.read_bytes() == before
    assert [p.name for p in path.parent.iterdir()] == ["logbook.sqlite"]


def test_one_that_was_brought_up_to_date_is_sound_and_has_the_tables_of_a_new_one(first: Path) -> None:
    add(first, 1)
    with opened(first / "new"):
        pass
    old, new = first / "book" / "logbook.sqlite", first / "new" / "logbook.sqlite"
    names = "SELECT type, name FROM sqlite_master WHERE name NOT LIKE 'sqlite_%' ORDER BY name"

    assert dump(old, "PRAGMA integrity_check") == [("ok",)]
    assert dump(old, "PRAGMA foreign_key_check") == []
    assert dump(old, names) == dump(new, names)
    assert dump(old, "PRAGMA table_info(pack)") == dump(new, "PRAGMA table_info(pack)")
    assert len(numbers(first)) == 3


def test_a_copy_that_the_first_version_made_is_found_in_the_logbooks_folder(first: Path) -> None:
    """A relative folder was kept as it was typed."""
    path = first / "book" / "logbook.sqlite"
    sha256 = str(dump(path, "SELECT sha256 FROM recording WHERE id = 1")[0][0])
    dump(path, f"UPDATE recording SET copied = 1, path = 'typed/recordings/{sha256[:32]}.frames' WHERE id = 1")
    with opened(first / "book") as db:
        found = Book(db, first / "book").source(1)[0].path

    assert found == first / "book" / "recordings" / f"{sha256[:32]}.frames"


def test_findings_of_the_first_version_are_computed_again_from_the_file(first: Path) -> None:
    """A recording that carries its profile needs nothing else; one that is not there keeps what it has."""
    with opened(first / "book") as db:
        file = str(DATA / "recordings" / "towpath.frames")
        db.execute("UPDATE recording SET path = ?, origin = ? WHERE id = 1", (file, file))
    said = CliRunner().invoke(cli, ["logbook", "re-analyse", "--logbook", str(first / "book")])
    with reading(first / "book") as db:
        versions = db.execute("SELECT recording_id, count(*) FROM finding GROUP BY recording_id").fetchall()

    assert "recording 1" in said.output
    assert "recording 2: its findings stay as they are: /media/van/evening.frames is gone" in said.output
    assert versions == [(1, 2), (2, 1)]


def test_a_logbook_of_a_later_version_is_left_as_it_is(tmp_path: Path) -> None:
    add(tmp_path, 1)
    path = tmp_path / "book" / "logbook.sqlite"
    dump(path, f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
    before = hashlib.sha256(path.read_bytes()).digest()

    for command in (numbers, lambda folder: add(folder, 2)):
        with pytest.raises(InputError, match=r"later evenstring.*install the later one.*nothing was changed"):
            command(tmp_path)

    assert hashlib.sha256(path.read_bytes()).digest() == before


def test_a_database_of_something_else_is_left_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "book" / "logbook.sqlite"
    path.parent.mkdir()
    dump(path, "CREATE TABLE song (title TEXT)")

    for command in (numbers, lambda folder: add(folder, 1)):
        with pytest.raises(InputError, match="no logbook but a database of something else"):
            command(tmp_path)

    assert dump(path, "SELECT name FROM sqlite_master") == [("song",)]


def test_a_step_that_fails_leaves_the_older_one(first: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tables, "MIGRATIONS", (*MIGRATIONS, "CREATE TABLE more (id INTEGER); SELECT nothing"))
    with pytest.raises(InputError), opened(first / "book"):
        pass

    assert dump(first / "book" / "logbook.sqlite", "PRAGMA user_version") == [(1,)]
    monkeypatch.undo()
    assert numbers(first) == [2, 1]
