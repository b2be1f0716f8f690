"""A logbook of a club: what reading takes does not grow with what is not asked for, and listing imports little."""

from __future__ import annotations

import subprocess
import sys
import tracemalloc
from itertools import islice
from pathlib import Path

import pytest
from click.testing import CliRunner
from evenstring.cli import cli
from evenstring.logbook.store.book import Book
from evenstring.logbook.store.database import reading

from tests.host.logbook.store.books import add
from tests.host.logbook.store.many import many

HEAVY = ("numpy", "pandas", "pyarrow", "openpyxl", "jinja2", "rich", "evenstring.analysis", "evenstring.report")


@pytest.mark.slow
@pytest.mark.parametrize("words", [("list",), ("list", "--json"), ("show", "1"), ("check",), ("remove", "1")])
def test_what_only_reads_the_index_imports_no_analysis_and_no_table_reader(
    tmp_path: Path, words: tuple[str, ...]
) -> None:
    """Half of a second of imports stood before each list of five lines."""
    add(tmp_path, 1)
    code = "import sys; from evenstring.cli import cli; cli(sys.argv[1:], standalone_mode=False); print(*sys.modules)"
    arguments = [sys.executable, "-c", code, "logbook", *words, "--logbook", str(tmp_path / "book")]
    modules = subprocess.run(arguments, check=True, capture_output=True, text=True).stdout.splitlines()[-1].split()

    assert "evenstring.logbook.store.book" in modules
    assert [m for m in HEAVY if m in modules] == []


@pytest.mark.slow
def test_a_hundred_thousand_recordings_are_listed_one_after_another(tmp_path: Path) -> None:
    """All are there, in order of time within a pack, and a pack's 25,000 are never in memory at once."""
    many(tmp_path, 100_000, packs=4, report_bytes=20)
    with reading(tmp_path / "book") as db:
        rows = Book(db, tmp_path / "book").recordings()
        tracemalloc.start()
        order = [(r.pack.name, r.start_s or 0.0) for r in islice(rows, 1000)]
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        order += [(r.pack.name, r.start_s or 0.0) for r in rows]

    assert len(order) == 100_000
    assert order == sorted(order)
    assert peak < 1_000_000  # bytes; the texts of a pack are twenty times as much


@pytest.mark.slow
def test_a_trend_reads_the_recordings_of_its_own_pack_alone(tmp_path: Path) -> None:
    many(tmp_path, 4000, packs=100)
    query = "SELECT r.id FROM recording r WHERE r.pack_id = 3 ORDER BY r.start_s, r.id"
    with reading(tmp_path / "book") as db:
        plan = " ".join(row[3] for row in db.execute(f"EXPLAIN QUERY PLAN {query}"))
        read = [r.number for r in Book(db, tmp_path / "book").recordings("pack 002")]
    told = CliRunner().invoke(cli, ["logbook", "trend", "pack 002", "--logbook", str(tmp_path / "book")])

    assert read == list(range(3, 4001, 100))
    assert "recording_by_pack" in plan
    assert "TEMP B-TREE" not in plan
    assert "recordings: 40" in told.output
