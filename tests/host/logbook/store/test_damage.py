"""Damage, a full disk, a folder that cannot be written, two at once: nothing is lost, and the words say what to do.

Fault cases after SQLite's own list of them (https://www.sqlite.org/howtocorrupt.html).
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from evenstring.cli import cli
from evenstring.errors import EvenstringError, InputError

from tests.host.logbook.store.books import add, numbers, recording

ROOT = Path(__file__).resolve().parents[4]
FIRST = ROOT / "tests" / "data" / "logbook" / "first.sqlite"
TOWPATH = ROOT / "tests" / "data" / "recordings" / "towpath.frames"
READERS = (("list",), ("list", "--json"), ("trend",), ("check",), ("show", "1"))
NOBODY = 65534  # common practice


def asked(folder: Path, *words: str) -> Result:
    return CliRunner().invoke(cli, ["logbook", *words, "--logbook", str(folder / "book")])


def ended_in_words(result: Result) -> bool:
    """Done, or one of our errors; never a traceback."""
    return result.exception is None or isinstance(result.exception, EvenstringError)


def database(folder: Path) -> Path:
    return folder / "book" / "logbook.sqlite"


@pytest.fixture
def filled(tmp_path: Path) -> Path:
    """A logbook of some pages."""
    for k in range(12):
        add(tmp_path, k)
    return tmp_path


@pytest.mark.parametrize("left", [1, 99, 100, 1000, 4096, 5000, 0.5, 0.99])
def test_a_truncated_database_is_told_and_not_touched(filled: Path, left: float) -> None:
    path = database(filled)
    size = path.stat().st_size
    os.truncate(path, int(left) if left >= 1 else int(left * size))
    before = path.read_bytes()

    results = [asked(filled, *words) for words in READERS]
    results.append(asked(filled, "add", str(TOWPATH)))

    assert all(map(ended_in_words, results))
    failed = [str(r.exception) for r in results if r.exception]
    assert failed
    assert all("damaged" in said or "not as it was" in said or "too little" in said for said in failed), failed
    assert any("add the recordings again" in said for said in failed), failed
    if len(failed) == len(results):
        assert path.read_bytes() == before
    assert (filled / "1.frames").read_bytes() == b"recording 1"


@pytest.mark.slow
@pytest.mark.parametrize("base", ["first version", "today"])
@pytest.mark.parametrize("many", [25, pytest.param(500, marks=pytest.mark.soak)])
def test_random_bytes_in_a_database_end_no_command_without_words(filled: Path, many: int, base: str) -> None:
    rng = np.random.default_rng(23)
    path = database(filled)
    whole = np.frombuffer((FIRST if base == "first version" else path).read_bytes(), np.uint8)
    for _ in range(many):
        bad = whole.copy()
        spoilt = rng.integers(0, bad.size, rng.integers(1, 200))
        bad[spoilt] = rng.integers(0, 256, spoilt.size, np.uint8)
        path.write_bytes(bad.tobytes())

        for words in READERS:
            result = asked(filled, *words)
            assert ended_in_words(result), result.exception
        assert path.read_bytes() == bad.tobytes()  # only reading changes nothing


def test_a_database_of_zeros_is_told_and_not_touched(tmp_path: Path) -> None:
    add(tmp_path, 1)
    database(tmp_path).write_bytes(b"\0" * 4096)

    with pytest.raises(InputError, match=r"damaged .* were not touched"):
        numbers(tmp_path)

    assert database(tmp_path).read_bytes() == b"\0" * 4096


@pytest.mark.parametrize("words", [("list",), ("add", str(TOWPATH))])
def test_an_emptied_database_is_said_to_begin_anew(tmp_path: Path, words: tuple[str, ...]) -> None:
    add(tmp_path, 1, copy=True)
    database(tmp_path).write_bytes(b"")

    said = asked(tmp_path, *words)

    assert said.exit_code == 0
    assert "is empty: what it held is not there any more" in said.output
    assert f"add them again: {tmp_path / 'book' / 'recordings'}" in said.output


def test_a_database_that_is_gone_is_said_where_copies_are_there(tmp_path: Path) -> None:
    assert "!" not in asked(tmp_path, "list").output  # a logbook that never was is no loss
    add(tmp_path, 1, copy=True)
    database(tmp_path).unlink()

    assert "is gone, but 1 copies of recordings are there" in asked(tmp_path, "list").output


def test_what_was_written_ahead_is_not_thrown_away_with_an_emptied_database(tmp_path: Path) -> None:
    """SQLite deletes a log beside an empty file: https://www.sqlite.org/walformat.html, recovery."""
    add(tmp_path, 1)
    ahead = tmp_path / "book" / "logbook.sqlite-wal"
    ahead.write_bytes(b"pages")
    database(tmp_path).write_bytes(b"")

    for words in (("list",), ("add", str(TOWPATH))):
        assert "still holds some of it" in str(asked(tmp_path, *words).exception)
    assert ahead.read_bytes() == b"pages"


def test_only_reading_makes_no_folder(tmp_path: Path) -> None:
    assert "no recordings yet" in asked(tmp_path, "list").output
    assert list(tmp_path.iterdir()) == []


@pytest.fixture
def for_all() -> Iterator[Path]:
    """A folder that another user can reach, unlike tmp_path."""
    folder = Path(tempfile.mkdtemp(prefix="evenstring-test-"))
    folder.chmod(0o755)
    yield folder
    shutil.rmtree(folder)


AS_SOMEBODY = f"""
import os, sys
from evenstring.cli import main
from evenstring.commands.history import logbook, logbook_add
if os.geteuid() == 0:  # who may write everything; its own modules are imported by now
    os.setgroups([])
    os.setgid({NOBODY})
    os.setuid({NOBODY})
main(sys.argv[1:])
"""


def as_somebody(*words: str) -> subprocess.CompletedProcess[str]:
    """A command of one who may not write what is not theirs."""
    return subprocess.run([sys.executable, "-c", AS_SOMEBODY, *words], check=False, capture_output=True, text=True)


@pytest.mark.slow
@pytest.mark.parametrize("state", ["at rest", "with a log ahead", "of the first version"])
def test_a_folder_that_cannot_be_written_is_read(for_all: Path, state: str) -> None:
    if state == "of the first version":
        database(for_all).parent.mkdir()
        shutil.copyfile(FIRST, database(for_all))
    elif state == "at rest":
        add(for_all, 1)
    else:
        killed_with_a_log_ahead(for_all)
    for path in (for_all / "book").iterdir():
        path.chmod(0o444)
    (for_all / "book").chmod(0o555)
    before = {p.name: p.read_bytes() for p in (for_all / "book").iterdir()}

    listed = as_somebody("logbook", "list", "--logbook", str(for_all / "book"))
    added = as_somebody("logbook", "add", str(for_all), "--logbook", str(for_all / "book"))

    assert listed.returncode == 0, listed.stderr
    assert "pack 1" in listed.stdout
    assert added.returncode == 1
    assert "cannot be written" in added.stderr
    assert "Traceback" not in added.stderr
    assert {p.name: p.read_bytes() for p in (for_all / "book").iterdir()} == before
    (for_all / "book").chmod(0o755)


def killed_with_a_log_ahead(folder: Path) -> None:
    """Leave the log behind, as a computer that is switched off does; the map of it in memory is gone then."""
    code = f"""
import os, sys
sys.path.insert(0, {str(ROOT)!r})
from pathlib import Path
from evenstring.logbook.store.database import opened
from tests.host.logbook.store.books import add
with opened(Path(sys.argv[1]) / "book"):
    add(Path(sys.argv[1]), 1)
    os._exit(0)
"""
    subprocess.run([sys.executable, "-c", code, str(folder)], check=True)
    assert (folder / "book" / "logbook.sqlite-wal").stat().st_size > 0
    (folder / "book" / "logbook.sqlite-shm").unlink()


@pytest.mark.slow
@pytest.mark.parametrize("copy", [False, True])
def test_a_full_disk_is_told_and_what_was_there_stays(tmp_path: Path, copy: bool) -> None:
    """By the largest size that the system lets a process write; at each of many places where that may be met."""
    add(tmp_path, 1)
    code = f"""
import resource, sys
sys.path.insert(0, {str(ROOT)!r})
from pathlib import Path
from evenstring.errors import EvenstringError
from tests.host.logbook.store.books import ENTRY, TOLD, seen, Book, Found, opened, recording
folder = Path(sys.argv[1])
recording(folder, 2).write_bytes(b"x" * 150_000)
for room in range(0, 200_000, 8192):
    resource.setrlimit(resource.RLIMIT_FSIZE, (room, resource.RLIM_INFINITY))
    try:
        with opened(folder / "book") as db:
            found = Found(ENTRY, "y" * 100_000)
            Book(db, folder / "book").add(seen(folder / "2.frames"), TOLD, found, copy={copy})
        said = "added"
    except EvenstringError as error:
        said = str(error)
    print(room, said)
"""
    done = subprocess.run([sys.executable, "-c", code, str(tmp_path)], check=True, capture_output=True, text=True)
    said = [line.partition(" ")[2] for line in done.stdout.splitlines()]

    refused = [s for s in said if s != "added"]
    assert refused
    assert said[-1] == "added"
    assert all("disk" in s or "cannot write" in s or "cannot be used" in s for s in refused), refused
    assert sorted(numbers(tmp_path)) == [1, 2]
    assert asked(tmp_path, "check").exit_code == 0


ADDER = f"""
import sys
sys.path.insert(0, {str(ROOT)!r})
from pathlib import Path
from tests.host.logbook.store.books import add
for k in range(int(sys.argv[2]), int(sys.argv[3])):
    add(Path(sys.argv[1]), k, copy=True)
"""


@pytest.mark.slow
def test_two_that_add_at_once_to_a_logbook_that_is_not_there_yet_both_add_all(tmp_path: Path) -> None:
    """Some recordings are the same: each is there once."""
    for k in range(30):
        recording(tmp_path, k)
    both = [
        subprocess.Popen([sys.executable, "-c", ADDER, str(tmp_path), first, last], stderr=subprocess.PIPE, text=True)
        for first, last in (("0", "20"), ("10", "30"))
    ]

    assert [process.communicate()[1] for process in both] == ["", ""]
    assert len(numbers(tmp_path)) == 30
    assert asked(tmp_path, "check").output.splitlines() == [
        "the logbook is sound and every file is the one that was added"
    ]
