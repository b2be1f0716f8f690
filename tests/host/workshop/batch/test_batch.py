"""A folder becomes reports and one overview: what needs attention first, nothing stopped by a bad file."""

from __future__ import annotations

import csv
import io
import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from evenstring import __version__
from evenstring.cli import cli
from evenstring.errors import InputError
from evenstring.workshop.batch.run import planned, write_overview
from evenstring.workshop.batch.task import Settings, perform

from tests.host.workshop.batch.days import FILES, GROUPS, PACK, day


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return day(tmp_path_factory.mktemp("batch") / "monday")


@pytest.fixture(scope="module")
def made(folder: Path) -> tuple[Path, Result]:
    """The batch, run once."""
    output = folder.parent / "reports"
    return output, CliRunner().invoke(cli, ["batch", str(folder), "-o", str(output)])


def rows_of(output: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO((output / "overview.csv").read_text(encoding="utf-8"))))


def written(output: Path) -> dict[str, bytes]:
    """Every file of a batch, by name."""
    return {p.relative_to(output).as_posix(): p.read_bytes() for p in output.rglob("*") if p.is_file()}


def test_the_gravest_comes_first_and_a_file_that_cannot_be_read_stands_in_it_with_its_reason(
    made: tuple[Path, Result],
) -> None:
    output, said = made
    rows = rows_of(output)

    assert said.exit_code == 1, said.output  # one file is noise
    assert rows[0]["name"] == "cedar.frames"
    assert rows[0]["action"] == "do_not_charge"
    assert {r["name"] for r in rows} == {*FILES, "tables/elder.csv", "noise.frames"}
    assert [r["error"] for r in rows if r["action"] == "unread"] == [
        "no evenstring frame in this file; give a recording, or `evenstring import` a table"
    ]
    assert "remarks.md" in (output / "overview.html").read_text(encoding="utf-8")


def test_a_row_holds_the_numbers_of_the_report_beside_it(made: tuple[Path, Result]) -> None:
    output, _ = made
    for row in (r for r in rows_of(output) if r["report"]):
        report = json.loads((output / row["report"] / "report.json").read_text(encoding="utf-8"))

        assert row["action"] == report["verdict"]["action"]
        assert row["reason"] == report["verdict"]["reasons"][0]
        assert int(row["groups"]) == report["recording"]["groups"] == GROUPS
        assert row["pack"] == report["profile"]["name"] == Path(row["name"]).stem
        assert (row["spread_rest_mv"] or None) == (
            None if report["spread"]["rest_mv"] is None else str(report["spread"]["rest_mv"])
        )


def test_a_report_of_a_batch_is_that_of_the_report_command(
    made: tuple[Path, Result], folder: Path, tmp_path: Path
) -> None:
    output, _ = made
    CliRunner().invoke(cli, ["report", str(folder / "birch.frames"), "-o", str(tmp_path)])

    for name in ("report.json", "report.html"):
        assert (output / "birch.frames" / name).read_bytes() == (tmp_path / name).read_bytes()


@pytest.mark.needs_test_extra
def test_another_engine_reads_the_overview_and_its_types(made: tuple[Path, Result]) -> None:
    import duckdb  # noqa: PLC0415  # of the extra `test`; an engine that nobody here wrote

    output, _ = made
    table = duckdb.read_parquet(str(output / "overview.parquet"))
    rows = table.project("name, action, groups").fetchall()

    assert [(r["name"], r["action"], int(r["groups"]) if r["groups"] else None) for r in rows_of(output)] == rows
    assert dict(zip(table.columns, map(str, table.types), strict=True))["spread_rest_mv"] == "DOUBLE"


def test_a_second_run_makes_nothing_again_and_ends_with_the_same(
    made: tuple[Path, Result], folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    output, _ = made
    before = written(output)
    at = {p: p.stat().st_mtime_ns for p in output.rglob("report.html")}

    assert CliRunner().invoke(cli, ["batch", str(folder), "-o", str(output)]).exit_code == 1
    assert written(output) == before
    assert {p: p.stat().st_mtime_ns for p in output.rglob("report.html")} == at


def batch_process(folder: Path, output: Path) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "evenstring", "batch", str(folder), "-o", str(output), "--workers", "1"]
    return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no SIGKILL on this system")
def test_killed_in_the_middle_and_started_again_it_ends_with_the_same_bytes(
    made: tuple[Path, Result], folder: Path, tmp_path: Path
) -> None:
    output = tmp_path / "reports"
    process = batch_process(folder, output)
    assert process.stderr is not None
    said = [process.stderr.readline() for _ in range(3)]
    process.send_signal(signal.SIGKILL)
    process.wait()
    process.stderr.read()  # ends when no worker holds it any more: none stays behind

    assert said[2].startswith("3/6 ")
    assert not (output / "overview.csv").exists()
    assert CliRunner().invoke(cli, ["batch", str(folder), "-o", str(output)]).exit_code == 1
    assert written(output) == written(made[0])


def test_other_options_a_changed_file_and_a_changed_report_are_done_again(folder: Path, tmp_path: Path) -> None:
    source, output = tmp_path / "in", tmp_path / "out"
    source.mkdir()
    (source / "a.frames").write_bytes((folder / "birch.frames").read_bytes())

    def run(settings: Settings) -> bool:
        """Whether the report was made, not kept."""
        page = output / "a.frames" / "report.html"
        if page.exists():
            os.utime(page, (0, 0))
        (row,) = map(perform, planned(source, output, settings).tasks)
        assert not row.error
        return page.stat().st_mtime > 0

    assert run(Settings())
    assert not run(Settings())
    assert run(Settings(load_a=12.0))
    assert run(Settings(accept="in_service"))
    (source / "a.frames").write_bytes((folder / "alder.frames").read_bytes())
    assert run(Settings(accept="in_service"))
    (output / "a.frames" / "report.json").write_text("{}")
    assert run(Settings(accept="in_service"))
    (output / "a.frames" / "done.json").write_text('{"key": 1')  # torn
    assert run(Settings(accept="in_service"))


def test_a_worker_of_another_version_says_so(folder: Path, tmp_path: Path) -> None:
    task = planned(folder, tmp_path / "out", Settings(version="9.9")).tasks[0]

    assert perform(task).error == f"this worker runs evenstring {__version__}, the batch 9.9"


def test_a_folder_that_holds_something_else_stays_as_it_is(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "letters.txt").write_text("dear aunt")
    said = CliRunner().invoke(cli, ["batch", str(folder), "-o", str(tmp_path)])

    assert "holds something else and stays as it is" in str(said.exception)
    assert [p.name for p in tmp_path.iterdir()] == ["letters.txt"]
    planned(folder, tmp_path / "new", Settings())
    with pytest.raises(InputError, match="holds something else"):
        planned(folder / "north", tmp_path / "new", Settings())


def test_what_a_batch_wrote_is_no_input_of_the_next(folder: Path, tmp_path: Path) -> None:
    source = tmp_path / "in"
    source.mkdir()
    (source / "a.frames").write_bytes((folder / "birch.frames").read_bytes())
    first = planned(source, source / "reports", Settings())
    (source / "reports" / "overview.csv").write_text("name\n")

    assert [t.name for t in first.tasks] == ["a.frames"]
    assert [t.name for t in planned(source, source / "reports", Settings()).tasks] == ["a.frames"]
    assert [t.name for t in planned(source, tmp_path / "again", Settings()).tasks] == ["a.frames"]


def test_a_recording_keeps_its_own_pack_before_the_file_beside_it(folder: Path, tmp_path: Path) -> None:
    source = tmp_path / "in"
    source.mkdir()
    (source / "a.frames").write_bytes((folder / "birch.frames").read_bytes())
    (source / "pack.toml").write_text(PACK.format(name="another", groups=GROUPS + 1))

    assert [perform(t).pack for t in planned(source, tmp_path / "out", Settings()).tasks] == ["birch"]


def test_limits_are_held_against_each_and_a_broken_one_comes_first_within_its_verdict(
    folder: Path, tmp_path: Path
) -> None:
    limits = tmp_path / "limits.toml"
    limits.write_text('[[limit]]\nof = "spread_at_rest_mv"\nmost = 15\norigin = "agreed"\n')
    said = CliRunner().invoke(
        cli, ["batch", str(folder), "-o", str(tmp_path / "out"), "--accept", str(limits), "--json"]
    )
    rows = [r for r in json.loads(said.stdout) if r["action"] == "too_little_data"]

    assert [r["acceptance"] for r in rows] == sorted(
        (r["acceptance"] for r in rows), key=["fail", "open", "pass"].index
    )
    assert {r["acceptance"] for r in rows} >= {"fail", "pass"}


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with a name on this system")
def test_what_only_looks_like_a_recording_is_said_and_stops_nothing(folder: Path, tmp_path: Path) -> None:
    source = tmp_path / "in"
    source.mkdir()
    (source / "a.frames").write_bytes((folder / "birch.frames").read_bytes())
    os.mkfifo(source / "endless.frames")
    (source / "gone.csv").symlink_to(tmp_path / "nowhere.csv")
    batch = planned(source, tmp_path / "out", Settings())
    rows, _ = write_overview(batch, map(perform, batch.tasks))

    assert [t.name for t in batch.tasks] == ["a.frames"]
    assert {r.name: r.error for r in rows if r.error} == {
        "endless.frames": "is no ordinary file",
        "gone.csv": "is no ordinary file",
    }
