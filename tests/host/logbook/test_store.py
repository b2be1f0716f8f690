"""A logbook keeps what it said it kept: kills, two at once, bad files.

Fault cases after SQLite's own list of them (https://www.sqlite.org/howtocorrupt.html).
"""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from evenstring.cli import cli, main
from evenstring.errors import InputError
from evenstring.logbook.entry import Entry, from_text, to_text
from evenstring.logbook.of_pack import history_of
from evenstring.logbook.store import database
from evenstring.logbook.store.book import Book, PackKey
from evenstring.logbook.store.database import MIGRATIONS, opened
from evenstring.logbook.trends.months_page import months_page
from evenstring.logbook.trends.standing import standing

KEY = PackKey("trike", "trike, left string", "left", 3, "nmc")
ENTRY = Entry(1.7e9, 3600.0, 3, (0.0, -4.0, 1.0), 0.3, (1.0, 1.1, None), 0.02, "full", True, 0.5, 5.0, None, 8.0, 20.0,
              (), "ride")  # fmt: skip


def recording(folder: Path, k: int) -> Path:
    path = folder / f"{k}.frames"
    path.write_bytes(f"recording {k}".encode())
    return path


def add(folder: Path, k: int, *, key: PackKey = KEY, copy: bool = False) -> None:
    with opened(folder / "book") as db:
        entry = replace(ENTRY, start_s=1.7e9 + k * 86400.0)
        Book(db, folder / "book").add(recording(folder, k), key, entry, "{}", copy=copy)


def numbers(folder: Path) -> list[int]:
    with opened(folder / "book") as db:
        return [r.number for r in Book(db, folder / "book").recordings()]


def test_what_was_added_is_listed_by_pack_and_time_and_again_is_harmless(tmp_path: Path) -> None:
    for k in (2, 1, 3, 1):
        add(tmp_path, k)
    add(tmp_path, 4, key=replace(KEY, name="trike, right string", string_name="right"))

    with opened(tmp_path / "book") as db:
        rows = list(Book(db, tmp_path / "book").recordings())

    assert [r.path.name for r in rows] == ["1.frames", "2.frames", "3.frames", "4.frames"]
    assert {r.pack.vehicle for r in rows} == {"trike"}
    assert rows[0].entry == ENTRY.__class__(**{**from_fields(ENTRY), "start_s": 1.7e9 + 86400.0})


def from_fields(entry: Entry) -> dict[str, object]:
    return {name: getattr(entry, name) for name in Entry.__dataclass_fields__}


def test_an_entry_comes_back_from_its_text_as_it_was() -> None:
    entry = replace(ENTRY, below_discard=((2, 2.31),))

    assert from_text(to_text(entry)) == entry


def test_entries_become_columns_and_those_without_a_date_count_in_no_trend() -> None:
    history = history_of([replace(ENTRY, start_s=None), ENTRY, replace(ENTRY, start_s=1.6e9, balanced=None)])

    assert len(history) == 2
    assert history.start_s.tolist() == [1.6e9, 1.7e9]
    assert np.isnan(history.even[0])
    assert np.isnan(history.resistance[1, 2])
    assert history.cycles.tolist() == [0.4, 0.4]


def test_a_discard_visit_stands_until_a_person_clears_it_with_a_reason(tmp_path: Path) -> None:
    add(tmp_path, 1)
    visited = replace(ENTRY, below_discard=((2, 2.31),))

    with opened(tmp_path / "book") as db:
        book = Book(db, tmp_path / "book")
        book.clear(KEY, 2, "cells of group 2 replaced", 1.7e9 + 1.0)
        why = book.cleared(KEY)

    assert history_of([visited]).visits[0].cleared == ""
    assert history_of([visited], why).visits[0].cleared == "cells of group 2 replaced"
    assert history_of([replace(visited, start_s=1.8e9)], why).visits[0].cleared == ""  # a later visit stands again


def test_clearing_one_string_leaves_the_warning_of_another_of_the_same_name(tmp_path: Path) -> None:
    """Through the command: two strings of one pack, and a pack of the same name in another vehicle."""
    keys = [KEY, replace(KEY, string_name="right"), replace(KEY, vehicle="barrow")]
    visited = replace(ENTRY, below_discard=((2, 1.2),))
    with opened(tmp_path / "book") as db:
        for k, key in enumerate(keys):
            Book(db, tmp_path / "book").add(recording(tmp_path, k), key, visited, "{}", copy=False)
    clear = ["logbook", "clear", KEY.name, "2", "--note", "cells replaced", "--logbook", str(tmp_path / "book")]

    unclear = CliRunner().invoke(cli, clear)
    done = CliRunner().invoke(cli, [*clear, "--vehicle", "trike", "--string", "left"])

    assert unclear.exit_code != 0
    assert "Nothing was cleared" in str(unclear.exception)
    assert done.exit_code == 0
    with opened(tmp_path / "book") as db:
        assert [sorted(Book(db, tmp_path / "book").cleared(key)) for key in keys] == [[2], [], []]


def test_a_visit_in_a_recording_without_a_date_is_warned_of_too(tmp_path: Path) -> None:
    with opened(tmp_path / "book") as db:
        visited = replace(ENTRY, start_s=None, below_discard=((2, 1.2),))
        Book(db, tmp_path / "book").add(recording(tmp_path, 1), KEY, visited, "{}", copy=False)

    trend = ["logbook", "trend", KEY.name, "--logbook", str(tmp_path / "book"), "-o", str(tmp_path / "page")]
    done = CliRunner().invoke(cli, trend)
    page = (tmp_path / "page" / "months.html").read_text(encoding="utf-8")

    assert "group 2 was at 1.20 V" in done.output
    assert "do not charge or ride this pack" in done.output
    assert "Do not charge this pack: a group was too low" in page
    assert "in a recording without a date" in page


@pytest.mark.parametrize("action", ["inspect", "do_not_charge"])
def test_what_the_last_report_asked_for_stands_until_a_later_one_does_not(action: str) -> None:
    """Else a page over months would say that nothing stands, beside a report that asks for an inspection."""
    bad, good = replace(ENTRY, action=action), replace(ENTRY, start_s=1.71e9)

    assert [w.kind for w in standing(history_of([bad]), 1.72e9) if w.kind == "last_report"] == ["last_report"]
    assert "Nothing stands" not in months_page(history_of([bad]), "trike", 1.72e9)
    assert not [w for w in standing(history_of([bad, good]), 1.72e9) if w.kind == "last_report"]


def test_an_entry_of_an_earlier_version_is_read_with_what_it_lacks_unknown() -> None:
    text = to_text(ENTRY).replace('"held_h": 0.5, ', "")

    assert from_text(text) == replace(ENTRY, held_h=None)


def test_a_copy_is_kept_under_its_digest_and_a_changed_or_lost_file_is_told(tmp_path: Path) -> None:
    add(tmp_path, 1, copy=True)
    add(tmp_path, 2)
    add(tmp_path, 3)
    (tmp_path / "1.frames").unlink()
    (tmp_path / "2.frames").write_bytes(b"another")
    (tmp_path / "3.frames").unlink()

    with opened(tmp_path / "book") as db:
        said = Book(db, tmp_path / "book").complaints()

    assert len(said) == 2
    assert "2.frames is not the file that was added" in said[0]
    assert "3.frames is gone; its findings are kept" in said[1]


ADDER = """
import sys
from pathlib import Path
from tests.host.logbook.test_store import add
for k in range(int(sys.argv[2]), int(sys.argv[3])):
    add(Path(sys.argv[1]), k)
    print(k, flush=True)
"""
ROOT = Path(__file__).resolve().parents[3]


def adder(folder: Path, first: int, last: int) -> subprocess.Popen[str]:
    arguments = [sys.executable, "-c", ADDER, str(folder), str(first), str(last)]
    path = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.Popen(arguments, stdout=subprocess.PIPE, text=True, cwd=ROOT, env=path)


def killed_after(folder: Path, first: int, seconds: float) -> list[int]:
    """Numbers that an adder said it had added before it was killed."""
    process = adder(folder, first, first + 1000)
    assert process.stdout is not None
    said = [process.stdout.readline()]
    time.sleep(seconds)  # a random moment, in a process of its own
    process.send_signal(signal.SIGKILL)
    said += process.stdout.read().splitlines()
    process.wait()
    return [int(line) for line in said if line.strip()]


@pytest.mark.slow
@pytest.mark.parametrize("kills", [5, pytest.param(200, marks=pytest.mark.soak)])
def test_nothing_that_was_said_to_be_added_is_lost_to_a_kill_at_any_moment(kills: int, tmp_path: Path) -> None:
    rng, told = np.random.default_rng(16), 0
    for k in range(kills):
        told += len(killed_after(tmp_path, 1000 * k, float(rng.uniform(0.0, 0.05))))
        with opened(tmp_path / "book") as db:
            assert not Book(db, tmp_path / "book").complaints()

    assert told <= len(numbers(tmp_path)) <= told + kills  # one that was killed before it could say so may be there


@pytest.mark.slow
def test_two_that_add_at_once_both_add_all(tmp_path: Path) -> None:
    for process in [adder(tmp_path, 0, 20), adder(tmp_path, 10, 30)]:
        assert process.stdout is not None
        process.stdout.read()
        assert process.wait() == 0

    assert len(numbers(tmp_path)) == 30


def test_a_damaged_database_is_told_and_not_touched(tmp_path: Path) -> None:
    add(tmp_path, 1)
    path = tmp_path / "book" / "logbook.sqlite"
    for rest in path.parent.glob("logbook.sqlite-*"):
        rest.unlink()
    path.write_bytes(b"\0" * 4096)

    with pytest.raises(InputError, match=r"damaged .* were not touched"):
        numbers(tmp_path)

    assert path.read_bytes() == b"\0" * 4096
    assert (tmp_path / "1.frames").read_bytes() == b"recording 1"


def test_a_logbook_of_a_later_version_is_left_as_it_is(tmp_path: Path) -> None:
    add(tmp_path, 1)
    with sqlite3.connect(tmp_path / "book" / "logbook.sqlite") as db:
        db.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")

    with pytest.raises(InputError, match="later evenstring"):
        numbers(tmp_path)


def test_an_older_logbook_is_brought_up_to_date_with_all_that_is_in_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    add(tmp_path, 1)
    monkeypatch.setattr(database, "MIGRATIONS", (*MIGRATIONS, "ALTER TABLE pack ADD COLUMN note TEXT"))

    with opened(tmp_path / "book") as db:
        version = db.execute("PRAGMA user_version").fetchone()[0]
        assert db.execute("SELECT count(*), max(note) FROM pack").fetchone() == (1, None)

    assert version == len(MIGRATIONS) + 1
    assert numbers(tmp_path) == [1]


def test_a_step_to_a_later_version_that_fails_leaves_the_older_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    add(tmp_path, 1)
    monkeypatch.setattr(database, "MIGRATIONS", (*MIGRATIONS, "CREATE TABLE more (id INTEGER); SELECT nothing"))

    with pytest.raises(InputError):
        numbers(tmp_path)

    monkeypatch.undo()
    assert numbers(tmp_path) == [1]


def test_a_full_disk_is_told_and_what_was_there_stays(tmp_path: Path) -> None:
    add(tmp_path, 1)
    with opened(tmp_path / "book") as db:
        db.execute(f"PRAGMA max_page_count = {db.execute('PRAGMA page_count').fetchone()[0]}")
        book = Book(db, tmp_path / "book")
        with pytest.raises(sqlite3.OperationalError, match="full"):
            book.add(recording(tmp_path, 2), KEY, ENTRY, "x" * 200_000, copy=False)

    assert numbers(tmp_path) == [1]


@pytest.mark.slow
def test_a_hundred_thousand_recordings_are_listed(tmp_path: Path) -> None:
    add(tmp_path, 1)
    with opened(tmp_path / "book") as db:
        db.execute("BEGIN")
        db.executemany(
            "INSERT INTO recording (pack_id, sha256, bytes, path, copied, start_s, duration_s)"
            " VALUES (1, ?, 1, 'x', 0, ?, 1)",
            ((f"{k:064x}", float(k)) for k in range(2, 100_001)),
        )
        db.execute(
            "INSERT INTO finding SELECT id, 'v', (SELECT entry FROM finding LIMIT 1), '{}' FROM recording WHERE id > 1"
        )
        db.execute("COMMIT")

    assert len(numbers(tmp_path)) == 100_000


def test_the_page_of_a_pack_is_written_and_an_older_one_is_not_replaced_unasked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for k in range(3):
        add(tmp_path, k)
    asked = ["logbook", "trend", KEY.name, "--logbook", str(tmp_path / "book"), "-o", str(tmp_path / "months")]

    codes = []
    for _ in range(2):
        with pytest.raises(SystemExit) as ended:
            main(asked)
        codes.append(ended.value.code)
    page = (tmp_path / "months" / "months.html").read_text(encoding="utf-8")

    assert codes == [0, 1]
    assert "--force" in capsys.readouterr().err
    assert "3 recordings" in page
    assert "Next charge:" in page
