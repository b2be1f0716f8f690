"""Charges of physics cells (pybamm SPMe, Chen et al. 2020) through `import` and `report`, as a user would.

The tables were made by make_pybamm_charges.py: six cells in series, one of them 4 % of charge low in the second. With a
middling cell held at 4.200 V, phase ends of its experiment are the truth.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from evenstring.cli import cli

DATA = Path(__file__).parents[1] / "data" / "physics_charges"
PACK = """[pack]
name = "six physics cells, invented string"
groups = 6
chemistry = "nmc"
capacity_ah = 5.0
[charger]
done_light_a = 0.12
"""


def report_of(name: str, folder: Path) -> dict:
    pack, recording = folder / "pack.toml", folder / "charge.frames"
    pack.write_text(PACK, encoding="utf-8")
    runner = CliRunner()
    made = runner.invoke(cli, ["import", str(DATA / f"{name}.csv"), "--pack", str(pack), "-o", str(recording)])
    assert made.exit_code == 0, made.output
    told = runner.invoke(cli, ["report", str(recording), "--json"])
    assert told.exit_code == 0, told.output
    return json.loads(told.stdout)


def phases(report: dict) -> list[str]:
    return [p["kind"] for p in report["phases"]]


def test_an_even_string_of_physics_cells_is_full_and_even(tmp_path: Path) -> None:
    report = report_of("even", tmp_path)

    assert phases(report) == ["rest", "charge_cc", "charge_cv", "rest"]
    assert report["charge"]["ended"] == "full"
    assert report["balancing"]["state"] == "balanced"
    assert report["spread"]["rest_mv"] < 3.0
    assert report["phases"][1]["start_s"] == pytest.approx(600.0, abs=30.0)


def test_a_low_physics_cell_leaves_the_charge_uneven_and_is_named(tmp_path: Path) -> None:
    report = report_of("one_low", tmp_path)

    assert phases(report) == ["rest", "charge_cc", "charge_cv", "rest"]
    assert report["charge"]["ended"] == "ended_uneven"
    assert report["charge"]["lowest_group"] == 3
    missing = next(r for r in report["repair"] if r["group"] == 3)
    assert missing["low_ah"] <= 0.04 * 5.153 <= missing["high_ah"]  # the cell holds 5.153 Ah between its rest states
