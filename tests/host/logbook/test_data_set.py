"""The data set as other engines read it: DuckDB runs the queries of the page as printed, polars sees the same rows."""

from __future__ import annotations

import builtins
import json
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from click.testing import CliRunner, Result
from evenstring.cli import cli
from evenstring.errors import InputError
from evenstring.logbook.data_set import refuse_without_pyarrow

from tests.host.logbook.a_logbook import a_charge

PAGE = Path(__file__).parents[3] / "host" / "LOGBOOK.md"
QUERIES = re.findall(r"```sql\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.S)
WILD = "../../etc/x=1 % \u202e" + "n" * 150


def run(*args: str | Path) -> Result:
    return CliRunner().invoke(cli, ["logbook", *map(str, args)])


@pytest.fixture(scope="module")
def club(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two packs, one of a wild name; the other over two years, with a group behind at three of its four charges."""
    folder = tmp_path_factory.mktemp("club")
    charges = [a_charge(folder / f"{k}.frames", k, weeks=20, behind=-0.4 * min(k, 1), name="barrow") for k in range(4)]
    charges.append(a_charge(folder / "wild.frames", 0, name=WILD, groups=5))
    added = run("add", *charges, "--logbook", folder / "book")
    assert added.exit_code == 0, added.output
    done = run("dataset", folder / "club", "--logbook", folder / "book")
    assert done.exit_code == 0, done.output
    return folder


def listed(folder: Path) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = json.loads(run("list", "--json", "--logbook", folder / "book").output)
    return rows


def test_polars_reads_the_rows_that_the_logbook_has(club: Path) -> None:
    recordings = pl.scan_parquet(club / "club" / "recordings", hive_partitioning=True).collect()
    groups = pl.scan_parquet(club / "club" / "groups", hive_partitioning=True).collect()
    rows = listed(club)

    assert sorted(recordings["recording"]) == sorted(r["sha256"] for r in rows)
    assert set(recordings["name"]) == {"barrow", WILD}
    assert set(recordings.filter(name="barrow")["year"]) == {2026, 2027}
    for row in rows:
        of = groups.filter(recording=row["sha256"]).sort("group_no")
        assert of["group_no"].to_list() == list(range(1, row["entry"]["groups"] + 1))
        assert of["departure_mv"].to_list() == pytest.approx(row["entry"]["departure_mv"])
        mine = recordings.filter(recording=row["sha256"]).row(0, named=True)
        assert mine["spread_end_mv"] == pytest.approx(row["entry"]["spread_end_mv"], rel=1e-4)
        assert mine["action"] == row["entry"]["action"]


def test_partitions_are_named_by_letters_that_any_system_takes(club: Path) -> None:
    names = {p.relative_to(club / "club").as_posix() for p in (club / "club").rglob("*.parquet")}

    assert len(names) == 6
    assert all(
        re.fullmatch(r"(recordings|groups)/pack=[a-z0-9-]{3,60}/year=20\d\d/part-\d+\.parquet", n) for n in names
    )


def test_duckdb_runs_the_queries_of_the_page_as_printed(club: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    duckdb = pytest.importorskip("duckdb")  # of the extra `test`
    monkeypatch.chdir(club)
    asking, monthly, behind = (duckdb.sql(query).fetchall() for query in QUERIES)
    rows = [r for r in listed(club) if r["pack"]["name"] == "barrow"]

    last = {r["pack"]["name"]: r["entry"]["action"] for r in listed(club)}  # in order of time
    asks = {name: action for name, action in last.items() if action in ("do_not_charge", "inspect", "keep_charging")}
    assert {name: action for name, _string, _at, action in asking} == asks
    spreads = {str(at)[:7]: spread for name, at, n, spread in monthly if name == "barrow" and n == 1}
    assert spreads == {
        f"{datetime.fromtimestamp(r['entry']['start_s'], UTC):%Y-%m}": pytest.approx(
            r["entry"]["spread_end_mv"], abs=0.06
        )
        for r in rows
    }
    lowest = min(r["entry"]["departure_mv"][2] for r in rows)
    assert [one for one in behind if one[0] == "barrow"] == [("barrow", 3, 3, pytest.approx(lowest, abs=0.06))]


def test_a_folder_that_is_there_stays_unless_it_is_an_older_data_set(club: Path, tmp_path: Path) -> None:
    book = ["--logbook", club / "book"]
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "letter.txt").write_text("dear")
    assert run("dataset", tmp_path / "set", *book).exit_code == 0
    (tmp_path / "set" / "groups" / "stale.parquet").write_bytes(b"")

    again = run("dataset", tmp_path / "set", *book)
    foreign = run("dataset", tmp_path / "mine", "--force", *book)
    forced = run("dataset", tmp_path / "set", "--force", *book)

    assert "give --force" in str(again.exception)
    assert "no data set of a logbook" in str(foreign.exception)
    assert (tmp_path / "mine" / "letter.txt").read_text() == "dear"
    assert forced.exit_code == 0
    assert not (tmp_path / "set" / "groups" / "stale.parquet").exists()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["mine", "set"]  # nothing half done beside


def test_what_goes_wrong_on_the_way_leaves_no_folder(
    club: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_args: object, **_more: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pyarrow.parquet.write_table", full)

    done = run("dataset", tmp_path / "set", "--logbook", club / "book")

    assert "No space left" in str(done.exception)
    assert list(tmp_path.iterdir()) == []


def test_of_a_logbook_that_is_not_there_nothing_is_written(tmp_path: Path) -> None:
    done = run("dataset", tmp_path / "set", "--logbook", tmp_path / "none")

    assert "has no recordings" in str(done.exception)
    assert list(tmp_path.iterdir()) == []


def test_without_pyarrow_it_is_said_how_to_get_it(monkeypatch: pytest.MonkeyPatch) -> None:
    real = builtins.__import__

    def none(name: str, *args: Any) -> Any:
        if name.startswith("pyarrow"):
            raise ImportError(name)
        return real(name, *args)

    monkeypatch.setattr(builtins, "__import__", none)

    with pytest.raises(InputError, match=r"evenstring\[parquet\]"):
        refuse_without_pyarrow()
