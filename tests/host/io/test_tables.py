"""Tables in and out: the same numbers come back, and what is wrong is named with its place."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from evenstring.errors import InputError
from evenstring.io.load import load_session, profile_of
from evenstring.io.table import Imported, Wishes, import_table
from evenstring.profile import parse_profile
from evenstring.session import Quality, Session

from tests.host.streams import as_csv

PROFILE = parse_profile('[pack]\ngroups = 3\nname = "invented"\ncapacity_ah = 12.5\n')


def load(tmp_path: Path, text: str, groups: int = 3) -> Session:
    table = tmp_path / "in.csv"
    table.write_text(text, encoding="utf-8")
    return read(table, groups)[0]


def read(table: Path, groups: int = 3, wishes: Wishes | None = None) -> tuple[Session, Imported]:
    out = table.with_suffix(".frames")
    profile = parse_profile(f"[pack]\ngroups = {groups}\n") if groups != 3 else PROFILE
    with out.open("wb") as file:
        _, made = import_table(table, profile, file, wishes)
    return load_session([out]), made


def test_import_gives_the_numbers_of_the_table(tmp_path: Path) -> None:
    session = load(tmp_path, "t_s,g1,g2,g3,current_a,temp1_c\n0,3.9,4.0,-0.1,-12.34,21.5\n1.5,3.8,,4.3,5,\n")

    assert session.time_s.tolist() == [0.0, 1.5]
    np.testing.assert_allclose(session.volts_v, [[3.9, 4.0, -0.1], [3.8, np.nan, 4.3]], atol=1e-6)
    assert session.quality.tolist() == [[0, 0, 0], [0, Quality.NO_READING, 0]]
    np.testing.assert_allclose(session.current_a, [-12.34, 5.0], atol=1e-5)
    np.testing.assert_allclose(session.temps_c, [[21.5], [np.nan]], atol=1e-5)
    assert session.span_s.tolist() == [0.0, 0.0]
    assert session.ident.front_end == "table_import"
    assert profile_of(session) == PROFILE


def test_what_export_writes_import_reads_back_unchanged(tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    rows = ["t_s,g1,g2,g3,current_a,temp1_c"]
    for k in range(500):
        volts = rng.integers(-1000, 21500, 3) * 2e-4
        cells = [f"{v:.4f}" if rng.random() > 0.05 else "" for v in volts]
        rows.append(
            f"{k * 0.4:.3f},{','.join(cells)},{rng.integers(-3000, 3000) / 100:.2f},{rng.integers(0, 4000) / 100:.2f}"
        )
    text = "\n".join(rows) + "\n"
    first = as_csv(load(tmp_path, text))

    assert first.decode() == text
    assert as_csv(load(tmp_path, first.decode())) == first


def test_bom_windows_line_ends_and_any_column_order_are_fine(tmp_path: Path) -> None:
    session = load(tmp_path, "\ufefft_s, g3 ,g1,g2\r\n0,3,1,2\r\n1,3,1,2\r\n")

    np.testing.assert_allclose(session.volts_v, [[1, 2, 3], [1, 2, 3]])


def test_columns_that_are_not_ours_are_left_alone(tmp_path: Path) -> None:
    session = load(tmp_path, "t_s,g1,g2,g3,remark\n0,1,2,3,7\n1,1,2,3,7\n")

    assert session.scans == 2


_HEAD = "t_s,g1,g2,g3\n"
BAD_TABLES = {
    "empty": ("", "empty"),
    "header only": (_HEAD, "line 1: no columns"),
    "missing group": ("t_s,g1,g3\n0,1,2\n1,1,2\n", "number 2 is missing"),
    "missing time": ("g1,g2,g3\n1,2,3\n", "t_s"),
    "text in a number": (_HEAD + "0,1,2,3\n1,1,full,3\n", "line 3, column g2: 'full'"),
    "text behind an empty cell": (_HEAD + "0,1,,3\n1,1,x,3\n", "line 3, column g2: 'x'"),
    "infinity": (_HEAD + "0,1,2,3\n1,1,2,inf\n", "line 3, column g3: 'inf'"),
    "a number too large": (_HEAD + "0,1,,3\n1,1,2,1e999\n", "line 3, column g3: '"),  # shown as text or as inf
    "time stands still": (_HEAD + "0,1,2,3\n0,1,2,3\n", "no column of rising times"),
    "a gap that wraps": (_HEAD + "0,1,2,3\n1e7,1,2,3\n", "line 3: more than 24 days"),
    "time beyond all numbers": (_HEAD + "0,1,2,3\n1e300,1,2,3\n", "line 3: more than 24 days"),
    "an endless cell": (_HEAD + "0,1,2," + "9" * 200_000 + "x\n", "line 2"),
    "no time": (_HEAD + "0,1,2,3\n,1,2,3\n", "line 3, column t_s: has no time"),
    "more groups than the pack": ("t_s,g1,g2,g3,g4\n0,1,2,3,4\n1,1,2,3,4\n", "g4"),
    "column twice": ("t_s,g1,g2,g2,g3\n0,1,2,2,3\n1,1,2,2,3\n", "columns 3 and 4 are both 'g2'"),
    "beyond the range": (_HEAD + "0,1,2,3\n1,1,2,4200\n", "line 3, column g3: 4200 V is beyond"),
    "short row": (_HEAD + "0,1,2,3\n1,1,2\n2,1,2,3\n", "line 3: 3 cells"),
    "long row": (_HEAD + "0,1,2,3\n1,1,2,3,4\n2,1,2,3\n", "line 3: 5 cells"),
}


@pytest.mark.parametrize("case", BAD_TABLES)
def test_a_bad_table_is_refused_with_its_place(tmp_path: Path, case: str) -> None:
    text, expected = BAD_TABLES[case]
    with pytest.raises(InputError) as caught:
        load(tmp_path, text)

    assert expected in str(caught.value)
    assert "in.csv" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_blank_lines_do_not_shift_the_place(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="line 5, column g1"):
        load(tmp_path, _HEAD + "0,1,2,3\n\n1,1,2,3\n2,,2,3\n3,x,2,3\n".replace("2,,2,3\n", "2,y,2,3\n"))


def test_bytes_that_are_no_text_are_refused(tmp_path: Path) -> None:
    table = tmp_path / "in.csv"
    table.write_bytes(b"t_s,g1\n0,3.9\n1,\x00\x00\x00\n")
    with pytest.raises(InputError, match=r"line 3: holds bytes that are no text"):
        read(table, 1)


@pytest.mark.parametrize("end", ["\n", "\r\n", ""])
def test_empty_cells_at_the_end_of_a_row_are_readings_not_taken(tmp_path: Path, end: str) -> None:
    session = load(tmp_path, f"t_s,g1,g2,g3{end or chr(10)}0,1,,3{end or chr(10)}1,1,,{end or chr(10)}2,,2,{end}")

    assert session.quality.tolist() == [[0, 1, 0], [0, 1, 1], [1, 0, 1]]


def test_spaces_round_numbers_do_not_matter(tmp_path: Path) -> None:
    session = load(tmp_path, "t_s,g1,g2,g3\n0, 1 , ,3\n1, 1 ,2 ,3\n")

    assert session.quality.tolist() == [[0, 1, 0], [0, 0, 0]]


def test_time_of_day_and_pack_voltage_come_back_from_an_export(tmp_path: Path) -> None:
    table = tmp_path / "in.csv"
    rows = "".join(f"2024-05-13T21:14:{k:02}.250+02:00,3.9,4.0,3.8,11.7\n" for k in range(30))
    table.write_text("time,Cell 1,Cell 2,Cell 3,Pack (V)\n" + rows, encoding="utf-8")
    first, _ = read(table)
    again = tmp_path / "again.csv"
    again.write_bytes(as_csv(first))
    second, _ = read(again)

    assert first.start == second.start == datetime(2024, 5, 13, 19, 14, 0, 250_000, UTC)
    assert first.pack_v is not None
    assert second.pack_v is not None
    np.testing.assert_array_equal(first.pack_v, second.pack_v)
    np.testing.assert_array_equal(first.volts_v, second.volts_v)
    np.testing.assert_array_equal(first.time_s, second.time_s)


def test_the_ends_of_the_range_come_back_from_an_export(tmp_path: Path) -> None:
    session = load(
        tmp_path, "t_s,g1,g2,g3,current_a\n0,6.553,-6.553,3.9,327.67\n1,6.5532,3.9,3.9,-327.67\n2,3.9,3.9,3.9,0\n"
    )
    again = load(tmp_path, as_csv(session).decode())

    np.testing.assert_array_equal(session.volts_v, again.volts_v)
    np.testing.assert_array_equal(session.current_a, again.current_a)
