"""Files stay the user's own; copies are the logbook's, made whole, told when they change, and taken away with it."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from evenstring.cli import cli
from evenstring.errors import InputError
from evenstring.logbook.store import files
from evenstring.logbook.store.book import Book
from evenstring.logbook.store.database import opened, reading
from evenstring.logbook.store.files import seen
from evenstring.logbook.store.rows import Found

from tests.host.logbook.store.books import ENTRY, TOLD, add, numbers, recording


def complaints(folder: Path) -> list[str]:
    with reading(folder / "book") as db:
        return list(Book(db, folder / "book").complaints())


def asked(folder: Path, *words: str) -> Result:
    return CliRunner().invoke(cli, ["logbook", *words, "--logbook", str(folder / "book")])


def copies(folder: Path) -> list[Path]:
    return sorted((folder / "book" / "recordings").glob("*"))


def test_a_copy_is_kept_under_its_digest_and_a_changed_or_lost_file_is_told(tmp_path: Path) -> None:
    add(tmp_path, 1, copy=True)
    add(tmp_path, 2)
    add(tmp_path, 3)
    (tmp_path / "1.frames").unlink()
    (tmp_path / "2.frames").write_bytes(b"another")
    (tmp_path / "3.frames").unlink()

    said = complaints(tmp_path)

    assert copies(tmp_path)[0].read_bytes() == b"recording 1"
    assert len(said) == 2
    assert "2.frames is not the file that was added" in said[0]
    assert "3.frames is gone; its findings are kept" in said[1]


def test_removing_takes_away_the_copy_that_was_made_and_never_the_users_own_file(tmp_path: Path) -> None:
    add(tmp_path, 1, copy=True)
    add(tmp_path, 2)

    first, second = asked(tmp_path, "remove", "1"), asked(tmp_path, "remove", "2")

    assert copies(tmp_path) == []
    assert "its copy" in first.output
    assert "is removed" in first.output
    assert "2.frames stays where it is" in second.output
    assert [p.read_bytes() for p in sorted(tmp_path.glob("*.frames"))] == [b"recording 1", b"recording 2"]
    assert numbers(tmp_path) == []


def test_a_visit_below_the_discard_voltage_leaves_only_with_a_reason(tmp_path: Path) -> None:
    """Else the warning that nobody cleared would be gone unseen."""
    pack = add(tmp_path, 1, entry=replace(ENTRY, below_discard=((2, 1.2),))).pack
    add(tmp_path, 2, entry=replace(ENTRY, start_s=1.71e9, below_discard=((2, 1.9),)))

    refused = asked(tmp_path, "remove", "1")
    there = sorted(numbers(tmp_path))
    removed = asked(tmp_path, "remove", "1", "--note", "another pack's")
    with opened(tmp_path / "book") as db:
        left = Book(db, tmp_path / "book").cleared(pack)
        why = db.execute("SELECT kind, groupno, reason FROM cleared").fetchall()

    assert "group 2 below the discard voltage, which nobody cleared" in str(refused.exception)
    assert there == [1, 2]
    assert removed.exit_code == 0
    assert numbers(tmp_path) == [2]
    assert why == [("removed", 2, "another pack's")]
    assert left == {}  # the visit of the second recording stands


def test_a_cleared_visit_may_be_removed(tmp_path: Path) -> None:
    pack = add(tmp_path, 1, entry=replace(ENTRY, below_discard=((2, 1.2),))).pack
    with opened(tmp_path / "book") as db:
        Book(db, tmp_path / "book").clear(pack, 2, "cells replaced", 1.8e9)

    assert asked(tmp_path, "remove", "1").exit_code == 0


def test_a_pack_goes_with_its_last_recording_and_stays_where_a_visit_was_cleared(tmp_path: Path) -> None:
    pack = add(tmp_path, 1).pack
    add(tmp_path, 2, told=replace(TOLD, name="barrow"))
    with opened(tmp_path / "book") as db:
        Book(db, tmp_path / "book").clear(pack, 2, "cells replaced", 1.8e9)
    for number in ("1", "2"):
        asked(tmp_path, "remove", number)

    with reading(tmp_path / "book") as db:
        assert [p.name for p in Book(db, tmp_path / "book").packs()] == [TOLD.name]


def test_copies_are_found_when_the_folder_of_the_logbook_moves(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    with opened(Path("book")) as db:  # a relative folder was kept as it was typed before
        Book(db, Path("book")).add(seen(recording(tmp_path, 1)), TOLD, Found(ENTRY, "{}"), copy=True)
    (tmp_path / "moved").mkdir()
    (tmp_path / "book").rename(tmp_path / "moved" / "book")
    monkeypatch.chdir("/")

    assert complaints(tmp_path / "moved") == []


def test_a_recording_that_grew_counts_once(tmp_path: Path) -> None:
    """One that is appended to, or fetched before it was complete."""
    add(tmp_path, 1, copy=True)
    (tmp_path / "1.frames").write_bytes(b"recording 1, and more")
    with opened(tmp_path / "book") as db:
        grown = Book(db, tmp_path / "book").add(seen(tmp_path / "1.frames"), TOLD, Found(ENTRY, "{}"), copy=True)

    assert (grown.number, grown.grew, grown.new_pack) == (1, True, False)
    assert numbers(tmp_path) == [1]
    assert [p.read_bytes() for p in copies(tmp_path)] == [b"recording 1, and more"]
    assert complaints(tmp_path) == []


def test_another_recording_under_the_name_of_an_earlier_one_is_another(tmp_path: Path) -> None:
    add(tmp_path, 1)
    (tmp_path / "1.frames").write_bytes(b"something else, and longer")
    with opened(tmp_path / "book") as db:
        Book(db, tmp_path / "book").add(seen(tmp_path / "1.frames"), TOLD, Found(ENTRY, "{}"), copy=False)

    assert sorted(numbers(tmp_path)) == [1, 2]
    assert len(complaints(tmp_path)) == 1  # of the first one, which is gone


def test_the_same_recording_again_is_said_under_another_file_name_or_pack_name(tmp_path: Path) -> None:
    add(tmp_path, 1)
    (tmp_path / "twin.frames").write_bytes(b"recording 1")

    twin = asked(tmp_path, "add", str(tmp_path / "twin.frames"))
    other = asked(tmp_path, "add", str(tmp_path / "1.frames"), "--name", "barrow")

    assert twin.exit_code == other.exit_code == 0
    assert f"the same recording as {tmp_path / '1.frames'}" in twin.output
    assert "it stays there" not in twin.output
    assert "it stays there: to put it elsewhere, `evenstring logbook remove 1`" in other.output
    assert numbers(tmp_path) == [1]


def test_a_file_that_moved_is_looked_for_where_it_was_added_again(tmp_path: Path) -> None:
    add(tmp_path, 1)
    (tmp_path / "1.frames").rename(tmp_path / "there.frames")

    said = asked(tmp_path, "add", str(tmp_path / "there.frames"))

    assert "it is looked for here now" in said.output
    assert complaints(tmp_path) == []


def test_a_copy_that_is_damaged_is_made_again(tmp_path: Path) -> None:
    add(tmp_path, 1, copy=True)
    copies(tmp_path)[0].write_bytes(b"rot")
    add(tmp_path, 1, copy=True)

    assert complaints(tmp_path) == []


def test_a_file_that_changes_while_it_is_copied_is_refused(tmp_path: Path) -> None:
    was = seen(recording(tmp_path, 1))
    was.path.write_bytes(b"it went on")

    with pytest.raises(InputError, match="changed while it was copied"):
        files.copied(was, tmp_path / "book")

    assert copies(tmp_path) == []


def test_a_file_name_that_is_no_text_is_refused_in_words(tmp_path: Path) -> None:
    """The database keeps text: https://www.sqlite.org/datatype3.html."""
    odd = Path(os.fsdecode(os.fsencode(tmp_path) + b"/\xff.frames"))
    try:
        odd.write_bytes(b"recording")
    except OSError:
        pytest.skip("this disk takes no such name")

    assert "rename it" in asked(tmp_path, "add", str(odd)).output


def test_a_place_that_is_no_folder_is_told_in_words(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"a file")
    place = tmp_path / "file" / "book"
    added = CliRunner().invoke(cli, ["logbook", "add", str(recording(tmp_path, 1)), "--logbook", str(place)])

    assert "give --logbook" in str(added.exception)


def test_what_an_ended_add_left_is_told_and_is_no_complaint(tmp_path: Path) -> None:
    add(tmp_path, 1, copy=True)
    (tmp_path / "book" / "recordings" / ".evenstring-abc.part").write_bytes(b"half")

    said = asked(tmp_path, "check")

    assert said.exit_code == 0
    assert ".evenstring-abc.part is of no recording" in said.output
    assert "the logbook is sound" in said.output
