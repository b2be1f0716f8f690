"""Tables written by hand: names, marks and units as people have them; what cannot be used is refused with its place."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from evenstring.errors import InputError
from evenstring.io.table.hand_table import HandRow, by_place, parse_hand_table, read_hand_table
from hypothesis import given
from hypothesis import strategies as st
from openpyxl import Workbook

NEEDS = "group and volts"
WANTED = {1: 3.912, 2: 3.899}


def read(text: str) -> dict[int, float]:
    return by_place(parse_hand_table(text.split("\n"), "meter.csv", NEEDS))


@pytest.mark.parametrize(
    "text",
    [
        "group,volts\n1,3.912\n2,3.899\n",
        "group;volts\n1;3,912\n2;3,899\n",
        "group\tvolts\n1\t3,912\n2\t3,899",
        "Cell,Voltage (mV)\nCell 1,3912\nCell 2,3899\n",
        "Zelle;Spannung [V]\nZ1;3,912\nZ2;3,899",
        "group;U\n1;3,912\n2;3,899",
        "group;mV\n1;3912\n2;3899",
        "group volts\n1 3.912\n2 3.899",
        "group;volts\n1;+3,912\n2;3,899",
        "group,volts\n1,3912\n2,3899",  # told by size
        "group,volts\n1,3.912 V\n2,3899 mV",
        "Bench, invented pack\n\n# by hand\ngroup,volts,remark\n1,3.912,\n\n2,3.899,after lunch\n",
        "group;volts\n;V\n1;3,912\n2;3,899\n3;\n4;-\n",
        'group,volts\n1,"3,912"\n2,"3,899"\n',
    ],
)
def test_readings_as_people_write_them_are_taken(text: str) -> None:
    assert read(text) == pytest.approx(WANTED)


def test_taps_and_pins_rise_along_the_string_and_millivolts_are_told_by_their_size() -> None:
    volts = [3.9 * k for k in range(37)]
    taps = "tap;volts\n" + "\n".join(f"{k};{v:.1f}".replace(".", ",") for k, v in enumerate(volts))
    pins = "pin,mV\n" + "\n".join(f"{k + 1},{v * 1000:.0f}" for k, v in enumerate(volts))
    unnamed = "tap,volts\n" + "\n".join(f"{k},{v * 1000:.0f}" for k, v in enumerate(volts))
    for text in (taps, pins, unnamed):
        assert list(read(text).values()) == pytest.approx(volts, abs=0.051)


def test_bytes_of_other_programs_and_workbooks_are_read(tmp_path: Path) -> None:
    text = "Zelle;Spannung (V)\r\n1;3,912\r\n2;3,899\r\n"
    for encoding in ("utf-8-sig", "utf-16", "cp1252"):
        file = tmp_path / f"{encoding}.csv"
        file.write_bytes(text.encode(encoding))
        assert by_place(read_hand_table(file, NEEDS)) == pytest.approx(WANTED)
    book = Workbook()
    for row in (("group", "volts"), (1, 3.912), (2, 3.899)):
        book.active.append(row)  # type: ignore[union-attr]  # a new book has a sheet
    book.save(tmp_path / "meter.xlsx")
    assert by_place(read_hand_table(tmp_path / "meter.xlsx", NEEDS)) == pytest.approx(WANTED)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "line 1 is ''; the table needs a line of names: group and volts"),
        ("1;3,9\n2;3,8", "needs a line of names"),
        ("group,amps\n1,3.9", "line 1 is 'group,amps'"),
        ("group,volts\n", "no readings below the names"),
        ("group,volts\n1,3.9\n2,OL\n", "line 3: column volts: 'OL' is no number; leave the cell empty"),
        ("group,volts\n1,1e999\n", "line 2: column volts: '1e999' is no number"),
        ("group,volts\nfirst,3.9\n", "line 2: column group: 'first' is no number of a place"),
        ("group,volts\n1,3,912\n", "line 2: 3 cells below 2 names: is a decimal comma also the separator?"),
        ("group;volts\n1;3,912\n2;3.899\n", "line 3: decimal comma and decimal point in one table"),
        ("group,volts\n1,3.9\n\n1,3.8\n", "line 4: group 1 is in line 2 already"),
        ("group,volts,u_volts\n1,3.9,0\n", "line 2: column u_volts must be above 0"),
        ("group,start_s,end_s,volts\n1,noon,9,3.9\n", "line 2: column start (seconds of the recording, or h:mm:ss)"),
    ],
)
def test_a_refusal_names_line_and_column_and_what_to_do(text: str, says: str) -> None:
    with pytest.raises(InputError) as error:
        read(text)

    assert str(error.value).startswith("meter.csv: line ")
    assert says in str(error.value)


def test_times_uncertainty_and_the_last_digit_are_read() -> None:
    table = parse_hand_table(
        ["group;from;to;mV;u_mV", "1;0:01:30;0:02:00;3912;0,5", "2;120;150;3899,5;"], "meter.csv", NEEDS
    )
    first, second = table.rows

    assert (first.start_s, first.end_s, second.start_s, second.end_s) == (90, 120, 120, 150)
    assert (first.u_v, second.u_v) == (0.0005, None)
    assert table.digit_v == pytest.approx(1e-4)
    at = parse_hand_table(["group,at,volts", "1,60,3.9"], "meter.csv", NEEDS).rows[0]
    assert (at.start_s, at.end_s) == (60, 60)


def test_an_empty_file_asks_for_what_this_table_needs(tmp_path: Path) -> None:
    (tmp_path / "meter.csv").write_text("\n")

    with pytest.raises(InputError, match="is empty; give a table with group and volts"):
        read_hand_table(tmp_path / "meter.csv", NEEDS)


@given(st.text(st.sampled_from("groupvltsapine0123456789.,;:-\t\n %mV\N{MINUS SIGN}"), max_size=80))
def test_whatever_stands_below_the_names_is_read_or_refused_in_a_line(text: str) -> None:
    for names in ("group;volts;start;end\n", "tap,volts,u_volts\n", ""):
        refused = ""
        rows: tuple[HandRow, ...] = ()
        try:
            rows = parse_hand_table((names + text).split("\n"), "meter.csv", NEEDS).rows
        except InputError as error:
            refused = str(error)
        assert refused.startswith("meter.csv: line ") or rows
        assert all(math.isfinite(row.volts_v) for row in rows)
