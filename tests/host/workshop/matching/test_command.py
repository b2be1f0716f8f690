"""evenstring match: tables as people have them, reports of packs, and what is printed and written."""

from __future__ import annotations

import csv
import json
import random
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest
from click.testing import CliRunner, Result
from evenstring.cli import cli
from evenstring.errors import InputError
from evenstring.io.table.named_rows import NamedRows
from evenstring.profile import PackProfile
from evenstring.report.material import gather_material
from evenstring.report.report_json import report_json
from evenstring.sim import DutyCycle, MeterModel, Pack, measure, simulate
from evenstring.workshop.matching.cells import Cell
from evenstring.workshop.matching.columns import columns_of
from evenstring.workshop.matching.from_report import cells_of_report

from tests.host.looks import NASTY, a_day, a_material


def run(*arguments: str | Path | int) -> Result:
    return CliRunner().invoke(cli, ["match", *map(str, arguments)])


def cells(n: int = 12, seed: int = 2) -> list[tuple[str, float, float, float]]:
    rng = random.Random(seed)
    return [
        (f"A-{k + 1:03d}", round(rng.gauss(2.45, 0.05), 4), round(rng.gauss(30, 2), 2), round(rng.uniform(0, 0.05), 4))
        for k in range(n)
    ]


def written(
    path: Path, names: list[str], rows: list[tuple[Any, ...]], separator: str = ",", comma: bool = False
) -> Path:
    lines = [separator.join(names)]
    for row in rows:
        line = separator.join(map(str, row))
        lines.append(line.replace(".", ",") if comma else line)
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def strings_of(result: Result) -> list[list[str]]:
    assert result.exit_code == 0, result.output
    return [[c["label"] for c in s["cells"]] for s in json.loads(result.stdout)["strings"]]


def test_tables_of_any_make_give_the_same_strings(tmp_path: Path) -> None:
    rows = cells()
    plain = written(tmp_path / "cells.csv", ["cell", "capacity_ah", "resistance_mohm", "leak_ma"], rows)
    here = [(a, 1000 * b, c / 1000, 1000 * d) for a, b, c, d in rows]
    european = written(
        tmp_path / "cells-eu.csv", ["Zelle", "Kapazität (mAh)", "Ri [Ohm]", "Leak (µA)"], here, ";", True
    )
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    for row in [("label", "Capacity, Ah", "DCIR mOhm", "self-discharge % per week"),
                *((a, b, c, 100.0 * 168.0 * d / 1000.0 / b) for a, b, c, d in rows)]:  # fmt: skip
        sheet.append(row)
    book.save(tmp_path / "cells.xlsx")

    told = [strings_of(run(f, "--length", 4, "--json")) for f in (plain, european, tmp_path / "cells.xlsx")]

    assert told[0] == told[1] == told[2]
    assert [len(s) for s in told[0]] == [4] * 3


def test_what_each_column_was_taken_for_is_said(tmp_path: Path) -> None:
    names = ["cell", "capacity_ah", "u_capacity_ah", "shelf"]
    rows = [(a, b, 0.01, 3) for a, b, _, _ in cells()]
    told = run(written(tmp_path / "cells.csv", names, rows), "--length", 4).stderr

    assert "cell: the cell's label; capacity_ah: capacity; u_capacity_ah: uncertainty of the capacity" in told
    assert "not used: shelf" in told


@pytest.mark.parametrize(("names", "row", "error"), [
    (["cell", "capacity"], ("x", "2.5"), "column 'capacity' does not say its unit"),
    (["cell", "volts"], ("x", "2.5"), "no column is named capacity_ah"),
    (["cell", "capacity_ah"], ("A-001", "2.5"), "lines 2 and 26 are both cell 'A-001'"),
    (["cell", "capacity_ah"], ("x", "2.5 Ah"), "line 26, column 'capacity_ah': '2.5 Ah' is no number"),
    (["cell", "capacity_ah"], ("x", "-2.5"), "line 26, column 'capacity_ah': -2.5 is below zero"),
    (["cell", "capacity_ah"], ("x", "2.5", "7"), "line 26 has 3 cells, the others 2"),
    (["cell", "leak_ma"], ("x", "0.02"), "leak in mA needs the cell's capacity"),
    (["cell", "leak_mah_per_week"], ("x", "2.5"), "does not say its unit"),
    (["cell", "ah", "mah"], ("x", "2.5", "2500"), "ah and mah are both a capacity"),
])  # fmt: skip
def test_a_table_that_cannot_be_used_says_where_and_why(
    tmp_path: Path, names: list[str], row: tuple[str, ...], error: str
) -> None:
    rows = [(f"A-{k + 1:03d}", 2.4 + k / 100, 2400 + 10 * k)[: len(names)] for k in range(24)]
    with pytest.raises(InputError, match=error):
        CliRunner().invoke(
            cli, ["match", str(written(tmp_path / "c.csv", names, [*rows, row])), "--length", "6"],
            catch_exceptions=False,
        )  # fmt: skip


def test_the_csv_holds_every_cell_once_and_no_label_acts_in_a_spreadsheet(tmp_path: Path) -> None:
    rows = [*cells(13), ("=1+1", 2.44, 30.0, 0.01)]
    out = tmp_path / "strings.csv"
    table = written(tmp_path / "cells.csv", ["cell", "capacity_ah", "resistance_mohm", "leak_ma"], rows)

    told = run(table, "--length", 4, "--strings", 3, "-o", out)

    with out.open(encoding="utf-8", newline="") as file:
        back = list(csv.DictReader(file))
    assert sorted(r["cell"] for r in back) == sorted([*(r[0] for r in rows[:13]), "'=1+1"])
    assert [r["string"] for r in back] == ["1"] * 4 + ["2"] * 4 + ["3"] * 4 + [""] * 2
    assert all(bool(r["left_over_because"]) == (not r["string"]) for r in back)
    assert "proved: no other choice is better" in told.stdout
    assert run(table, "--length", 4, "-o", out).exit_code != 0  # it stays as it is


def test_nothing_in_a_table_acts_on_the_terminal_and_lines_fit_it(tmp_path: Path) -> None:
    rows = [*cells(11), (NASTY[:60].replace(",", " ").replace("\n", " ").replace('"', " "), 2.44, 30.0, 0.01)]
    told = run(written(tmp_path / "c.csv", ["cell", "capacity_ah", "resistance_mohm", "leak_ma"], rows), "--length", 4)

    assert told.exit_code == 0, told.output
    assert "\x1b" not in told.output
    assert "\u202e" not in told.output
    plain = run(written(tmp_path / "d.csv", ["cell", "capacity_ah", "leak_ma"], [(r[0], r[1], r[3]) for r in cells()]),
                "--length", 4)  # fmt: skip
    assert max(map(len, plain.stdout.splitlines())) <= 80
    assert "resistance: not measured" in plain.stdout


def report(name: str = "", capacity: bool = True) -> dict[str, Any]:
    """A report of twelve groups, made by the product; group figures as a ride and a charge would have them."""
    made = report_json(a_material(a_day(n=300)))
    rng = random.Random(name)
    made["groups"] = [
        {"group": g, "capacity_percent": rng.gauss(0, 2), "capacity_u_percent": 0.5,
         "resistance_mohm": rng.gauss(7, 0.3),
         "resistance_percent": 0.0, "resistance_u_percent": 1.0}
        for g in range(1, 13)
    ]  # fmt: skip
    made["capacity"] = {"ah": 19.0, "low_ah": 18.5, "high_ah": 19.5} if capacity else None
    made["events"], made["weakness"], made["hazards"] = [], [], []
    return made


def test_groups_of_measured_packs_are_matched_and_what_must_not_be_charged_again_stays_out(tmp_path: Path) -> None:
    for name in ("trike", "barrow"):
        made = report(name)
        if name == "trike":
            made["events"] = [{"kind": "below_discard", "group": 5}]
        (tmp_path / f"{name}.json").write_text(json.dumps(made))

    told = run(tmp_path / "trike.json", tmp_path / "barrow.json", "--length", 10, "--json")

    found = json.loads(told.stdout)
    barred = [o for o in found["left"] if o["cell"]["barred"]]
    assert [(o["cell"]["label"], o["why"]) for o in barred] == [
        ("group 5", "was below its discard voltage: not to be charged again")
    ]
    assert len(found["strings"]) == 2
    assert "not measured: leak" in told.stderr
    lines = run(tmp_path / "trike.json", tmp_path / "barrow.json", "--length", 10).stdout.splitlines()
    assert "  1/group 5: was below its discard voltage: not to be charged again" in lines
    assert f"  2/ {tmp_path / 'barrow.json'}" in lines
    assert "belongs into no string" in found["cautions"][-1]


def test_a_capacity_that_was_not_measured_is_held_against_no_other_pack() -> None:
    alone, notes = cells_of_report(report("a", capacity=False) | {"usable": {"ah": 20.0}}, "a.json", alone=True)
    beside, _ = cells_of_report(report("a", capacity=False) | {"usable": {"ah": 20.0}}, "a.json", alone=False)

    assert all(c.readings[0] is not None for c in alone)
    assert "nameplate" in notes[0]
    assert all(c.readings[0] is None for c in beside)


@pytest.mark.slow
def test_figures_of_each_group_come_out_of_a_recording_as_they_were_put_in() -> None:
    """The simulated pack's own resistances and capacities are the truth."""
    pack = Pack.even(12, capacity_ah=20.0, soc=0.9)
    rng = np.random.default_rng(4)
    pack = replace(
        pack,
        r0_ohm=pack.r0_ohm * rng.normal(1.0, 0.05, 12),
        capacity_ah=pack.capacity_ah * np.where(np.arange(12) == 7, 0.9, 1.0),
    )
    days = DutyCycle().rest(minutes=40).ride(minutes=50).rest(minutes=40).charge(hours=4)
    session = measure(simulate(pack, days), MeterModel(), np.random.default_rng(5))
    made = report_json(gather_material(session, PackProfile(groups=12, capacity_ah=20.0)))
    found: tuple[Cell, ...] = cells_of_report(made, "day.json", alone=True)[0]

    mohm = np.array([c.readings[1].value for c in found if c.readings[1]])
    ah = np.array([c.readings[0].value for c in found if c.readings[0]])
    assert mohm / np.median(mohm) == pytest.approx(pack.r0_ohm / np.median(pack.r0_ohm), abs=0.03)
    assert int(np.argmin(ah)) == 7
    assert ah[7] / np.median(ah) == pytest.approx(0.9, abs=0.03)


@pytest.mark.parametrize(
    "text", ["[]", "{}", '{"format": "x"}', "{", '{"format": "evenstring-report/1"}', "null", "[" * 9000]
)
def test_what_is_no_report_is_refused_in_one_line(tmp_path: Path, text: str) -> None:
    file = tmp_path / "report.json"
    file.write_text(text)
    with pytest.raises(InputError):
        CliRunner().invoke(cli, ["match", str(file), "--length", "4"], catch_exceptions=False)


def test_a_row_of_totals_is_no_cell(tmp_path: Path) -> None:
    rows = [(a, b) for a, b, _, _ in cells()]
    foot = [("Total", 29.4), ("Mean:", 2.45), ("Mittelwert", 2.45)]

    found = strings_of(
        run(written(tmp_path / "c.csv", ["cell", "capacity_ah"], [*rows, *foot]), "--length", 4, "--json")
    )

    assert sorted(c for s in found for c in s) == sorted(r[0] for r in rows)


@pytest.mark.parametrize(("text", "error"), [
    ("just text\nmore\n", "give one row each"), ("2.5,30\n2.4,31\n", "have no names"),
    ("cell,capacity_ah\nA,2.5 Ah\nB,2.4 Ah\n", "numbers without their units"), ("", "is empty"),
])  # fmt: skip
def test_what_is_no_table_of_cells_is_refused_with_what_would_be_one(tmp_path: Path, text: str, error: str) -> None:
    (tmp_path / "c.csv").write_text(text)
    with pytest.raises(InputError, match=error):
        CliRunner().invoke(cli, ["match", str(tmp_path / "c.csv"), "--length", "2"], catch_exceptions=False)


@pytest.mark.parametrize(("name", "key", "factor"), [
    ("Discharge capacity (mAh)", 0, 1e-3), ("capacity_ah", 0, 1.0), ("Kapazität [Ah]", 0, 1.0), ("mAh", 0, 1e-3),
    ("internal resistance at 50 % capacity, mΩ", 1, 1.0), ("Ri / Ohm", 1, 1e3), ("DCIR_mohm", 1, 1.0),
    ("R0 µΩ", 1, 1e-3), ("self discharge, % per month", 2, 7.0 / 30.4), ("Selbstentladung % pro Woche", 2, 1.0),
    ("leak µA", 2, 1e-6), ("capacity retention %", None, 0.0), ("discharge current (A)", None, 0.0),
    ("leak mAh per week", None, 0.0), ("temperature", None, 0.0),
])  # fmt: skip
def test_columns_are_known_by_the_names_that_people_give_them(name: str, key: int | None, factor: float) -> None:
    rows = NamedRows("t.csv", ("cell", "capacity_ah" if key else "resistance_mohm", name), (), ".", ())
    found = [c for c in columns_of(rows).values if c.at == 2]

    assert [(c.quantity, pytest.approx(c.factor)) for c in found] == ([] if key is None else [(key, factor)])
