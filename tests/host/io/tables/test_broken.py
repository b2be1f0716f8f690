# ruff: noqa: E501  # a line a table
"""Tables that cannot be read rightly: each is refused in one line with its place and what to do."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from evenstring.errors import InputError

from tests.host.io.tables.judge import read_back

_HEAD = "Time (s),Cell 1,Cell 2,Cell 3\n"
_ROWS = "".join(f"{k},3.{900 + k},3.{910 + k},3.{905 + k}\n" for k in range(20))
_EU = "Zeit (s);Zelle 1;Zelle 2;Zelle 3\n"


def _changed(line: int, text: str) -> str:
    lines = (_HEAD + _ROWS).splitlines()
    lines[line - 1] = text
    return "\n".join(lines) + "\n"


# Text (or bytes) of a table for three groups; words that the refusal holds: the place, and what to do.
BROKEN: dict[str, tuple[str | bytes | Callable[[], str], tuple[str, ...]]] = {
    "nothing": ("", ("is empty", "give a table")),
    "blank lines": ("\n\n\n", ("is empty",)),
    "prose": ("Dear all,\nplease find the log attached.\nRegards\n", ("no columns found", "semicolon")),
    "one column": ("Time\n1\n2\n3\n", ("line 1", "no columns")),
    "names alone": (_HEAD, ("no ", "line 1")),
    "no time": ("Cell 1,Cell 2,Cell 3\n3.9,3.8,3.7\n3.8,3.9,3.7\n3.9,3.7,3.8\n", ("no column of rising times", "--map")),
    "two groups of three": ("Time (s),Cell 1,Cell 2\n0,3.9,3.9\n1,3.9,3.9\n", ("number 3 is missing", "--map")),
    "a group left out": ("Time (s),Cell 1,Cell 3\n0,3.9,3.9\n1,3.9,3.9\n", ("number 2 is missing",)),
    "five groups of three": ("t,C1,C2,C3,C4,C5\n0,3.9,3.9,3.9,3.9,3.9\n1,3.9,3.9,3.9,3.9,3.9\n", ("C4", "3 groups")),
    "nothing like a group": ("zeit,temp1,temp2,strom\n0,21,22,1.0\n10,21,22,1.1\n20,21,22,1.0\n", ("It has: zeit (0 ...), temp1 (21 ...)", '--map "temp1=g1,temp2=g2,...')),
    "a count that is wrong": ("t_s,a,b\n0,3.9,3.8\n1,3.9,3.8\n2,3.9,3.8\n", ("2 of them may hold volts", "--groups 2?", "a=g1,b=g2")),
    "a name twice": ("t_s,g1,g2,g2,g3\n0,3.9,3.9,3.9,3.9\n1,3.9,3.9,3.9,3.9\n", ("columns 3 and 4", "rename")),
    "spelled alike": ("t_s,g1,g2,g02,g3\n0,3.9,3.9,3.9,3.9\n1,3.9,3.9,3.9,3.9\n", ("columns 3 and 4",)),
    "a word": (_changed(7, "5,3.9,full,3.9"), ("line 7", "Cell 2", "'full'", "empty")),
    "two points": (_changed(7, "5,3.9,3.9.1,3.9"), ("line 7", "Cell 2", "'3.9.1'")),
    "a letter for a digit": (_changed(7, "5,3.9,3.9O,3.9"), ("line 7", "Cell 2")),
    "overload": (_changed(9, "7,OL,3.9,3.9"), ("line 9", "Cell 1", "'OL'")),
    "units in the cells": (_EU + "".join(f"{k} s;3,9 V;3,8 V;3,9 V\n" for k in range(9)), ("line 2", "'3,9 V'", "--unit")),
    "a clock that stands": (_HEAD + "2024-05-13 10:00:00,3.9,3.8,3.9\n" * 9, ("no column of rising times",)),
    "infinity": (_changed(9, "7,inf,3.9,3.9"), ("line 9", "Cell 1")),
    "yes": (_changed(9, "7,True,3.9,3.9"), ("line 9", "Cell 1", "True")),
    "a hex number": (_changed(9, "7,0x3F,3.9,3.9"), ("line 9", "Cell 1")),
    "mV among V": (_changed(12, "10,3.9,3912,3.9"), ("line 12", "Cell 2", "3912", "--unit")),
    "far below": (_changed(12, "10,3.9,-39,3.9"), ("line 12", "Cell 2", "-39")),
    "a cell too few": (_changed(5, "3,3.9,3.9"), ("line 5", "3 cells", "complete")),
    "a cell too many": (_changed(5, "3,3.9,3.9,3.9,1"), ("line 5", "5 cells")),
    "a comma number": (_changed(5, "3,3,903,3.9,3.9"), ("line 5", "5 cells")),
    "a time that is none": (_changed(8, "later,3.9,3.9,3.9"), ("line 8", "Time (s)", "'later'")),
    "no time in a row": (_changed(8, ",3.9,3.9,3.9"), ("line 8", "Time (s)", "no time")),
    "commas for all": (
        "Time,Cell 1,Cell 2,Cell 3\n" + "".join(f"{k},3,{90 + k},3,91,3,92\n" for k in range(9)),
        ("line 2", "semicolons"),
    ),
    "two decimal marks": (
        _EU + "0;3,9;3,8;3,9\n1;3.91;3,8;3,9\n2;3,9;3,8;3,9\n",
        ("line 3", "3.91", "one decimal mark"),
    ),
    "an unknown pace": (
        "Time,Cell 1,Cell 2,Cell 3\n" + "".join(f"{k * 150},3.9,3.8,3.{910 + k}\n" for k in range(20)),
        ("unit of the time is open", "--unit"),
    ),
    "a month of 13": (
        "Time,Cell 1,Cell 2,Cell 3\n" + "".join(f"2024-13-{k:02} 10:00:00,3.9,3.8,3.9\n" for k in range(1, 9)),
        ("no column of rising times",),
    ),
    "years between rows": (_changed(21, "9e8,3.9,3.9,3.9"), ("line 21", "24 days")),
    "NUL bytes": ((_HEAD + _ROWS).encode() + b"\0\0\0\0", ("no text",)),
    "a picture": (b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 20, ("no text",)),
    "gzip": (b"\x1f\x8b\x08\x00" + bytes(50), ("compressed", "unpack")),
    "an old workbook": (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600), (".xlsx",)),
    "a zip of something": (b"PK\x03\x04" + bytes(100), ("zip", "save it again")),
    "Parquet": (b"PAR1" + bytes(100) + b"PAR1", ("Parquet", "CSV")),
    "a million columns": (lambda: ",".join(f"g{k}" for k in range(1_000_000)) + "\n1\n", ("line 1",)),
    "2,000 columns": (
        ",".join(["t_s", *(f"g{k}" for k in range(1, 2000))]) + "\n" + ",".join(["1"] * 2000) + "\n",
        ("2,000 columns", "at most"),
    ),
    "a line without an end": ("1," * 4_000_000, ("line 1", "longer")),
    "an endless cell": (_changed(6, "4,3.9,3." + "9" * 300_000 + "x,3.9"), ("line ",)),
    "two families": (
        "t_s,left 1,left 2,left 3,right 1,right 2,right 3\n" + "".join(f"{k},3.9,3.8,3.9,3.7,3.8,3.9\n" for k in range(9)),
        ("left 1 to left 3", "right 1 to right 3", "--map"),
    ),
    "a group that is none": ("time,cell,volts\n" + "".join(f"{k // 3},{k % 3 + 1},3.9\n" for k in range(30)) + "10,7,3.9\n", ("7",)),
}  # fmt: skip


@pytest.mark.parametrize("case", BROKEN)
def test_a_broken_table_is_refused_with_place_and_remedy(tmp_path: Path, case: str) -> None:
    made, words = BROKEN[case]
    text = made() if callable(made) else made
    path = tmp_path / "broken.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(InputError) as caught:
        read_back(path, 3)

    said = str(caught.value)
    assert all(word in said for word in words), said
    assert "broken.csv" in said
    assert "\n" not in said
    assert len(said) < 500


def test_there_are_forty_broken_tables() -> None:
    assert len(BROKEN) >= 40
