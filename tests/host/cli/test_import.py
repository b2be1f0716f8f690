"""`import` as a user meets it: what it says it took, what it asks, and how it is overruled."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import openpyxl
import pytest
from click.testing import CliRunner, Result
from evenstring.cli import cli
from evenstring.errors import UsageError
from evenstring.io.load import load_session
from evenstring.session import Session

_ROWS = [(k, 3.9 + k / 1000, 3.8 + k / 1000, -4.0, 25.0, "ok") for k in range(60)]


def table(tmp_path: Path, names: str = "Time;U1;U2;I;Box;Note") -> Path:
    path = tmp_path / "log.csv"
    path.write_text(names + "\n" + "".join(";".join(map(str, row)) + "\n" for row in _ROWS))
    return path


def imported(path: Path, *options: str) -> Result:
    out = path.with_name("out.frames")
    return CliRunner().invoke(cli, ["import", str(path), "--groups", "2", "-o", str(out), "--force", *options])


def session(path: Path) -> Session:
    return load_session([path.with_name("out.frames")])


def test_every_column_is_named_with_what_it_was_taken_for(tmp_path: Path) -> None:
    said = imported(table(tmp_path)).stdout

    assert "Time: time in s" in said
    assert "U1 + U2: groups 1 to 2" in said
    assert "I: current, in A" in said
    assert "Box: not used" in said
    assert "Note: not used (text, not numbers)" in said
    assert "sign was turned" in said
    assert "60 scans of 2 groups" in said


def test_a_dry_run_shows_the_first_rows_and_makes_nothing(tmp_path: Path) -> None:
    result = imported(table(tmp_path), "--dry-run")

    assert "0 | 3.9 | 3.8 | -4.0" in result.stdout
    assert [p.name for p in tmp_path.iterdir()] == ["log.csv"]


def test_a_map_overrules_what_was_guessed(tmp_path: Path) -> None:
    path = table(tmp_path)
    result = imported(path, "--map", "U1=g2,U2=g1,I=+current,Box=temp1,Note=-", "--unit", "t=ms")

    assert result.exit_code == 0
    found = session(path)
    np.testing.assert_allclose(found.volts_v[0], [3.8, 3.9], atol=1e-5)
    assert found.current_a is not None
    assert found.temps_c is not None
    assert found.current_a[0] == pytest.approx(-4.0)
    assert found.temps_c[0, 0] == pytest.approx(25.0)
    assert found.duration_s == pytest.approx(0.059)
    assert "Note: not used (left out as told)" in result.stdout


def test_columns_without_a_number_are_named_by_a_map(tmp_path: Path) -> None:
    path = table(tmp_path, "Time;left;right;I;Box;Note")

    assert imported(path, "--map", "left=g2,#3=g1").exit_code == 0
    np.testing.assert_allclose(session(path).volts_v[0], [3.8, 3.9], atol=1e-5)


def test_start_and_zone_date_a_table_without_days(tmp_path: Path) -> None:
    path = table(tmp_path)
    imported(path, "--start", "2024-07-01T12:00", "--zone", "Europe/Vienna")

    assert session(path).start == datetime(2024, 7, 1, 10, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--map", "U7=g1"], "no column is named 'U7'"),
        (["--map", "U1=g3"], "the pack has 2 groups"),
        (["--map", "U1=cell"], "roles are t, date"),
        (["--map", "U1"], "say NAME=ROLE"),
        (["--map", "U1=g1,U2=g1"], "to two columns"),
        (["--unit", "t=fortnight"], "not known"),
        (["--start", "yesterday"], "say it like 2024"),
        (["--zone", "Mars/Olympus"], "no such zone"),
    ],
)
def test_an_option_that_makes_no_sense_says_what_would(tmp_path: Path, options: list[str], said: str) -> None:
    result = imported(table(tmp_path), *options)

    assert result.exit_code != 0
    assert said in str(result.exception)


def test_no_output_and_no_dry_run_is_wrong_usage(tmp_path: Path) -> None:
    result = CliRunner().invoke(cli, ["import", str(table(tmp_path)), "--groups", "2"])

    assert isinstance(result.exception, UsageError)


def test_days_and_times_in_cells_of_their_own_in_a_workbook_are_joined(tmp_path: Path) -> None:
    """A spreadsheet keeps a day as its midnight (openpyxl writes and reads both cells)."""
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.append(["Date", "Time", "Cell\n1", "Cell\n2"])
    for k in range(40):
        moment = datetime(2025, 3, 9, 7, 58, 30) + timedelta(seconds=5 * k)  # noqa: DTZ001  # cells know no zone
        sheet.append([moment.date(), moment.time(), 3.9, 3.8])
    path = tmp_path / "log.xlsx"
    book.save(path)

    assert imported(path).exit_code == 0
    assert session(path).start == datetime(2025, 3, 9, 7, 58, 30, tzinfo=UTC)
    assert session(path).duration_s == 195.0


def test_inputs_of_a_logger_that_nothing_is_connected_to_are_left_out(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("t_s,C1,C2,C3,C4\n" + "".join(f"{k},3.9,3.8,0.000,0.000\n" for k in range(30)))

    assert imported(path).exit_code == 0
    assert session(path).groups == 2
