"""Balancing of physics cells (pybamm SPMe, Ai et al. 2020) through `import` and `report`, as a user would.

The table was made by make_pybamm_balancing.py, which carries the string on, unchanged, until it is even: 4680 s after
the table's end. The cells' curve is none that the tool knows. The forecast runs long on them (host/METHODS.md says by
how much); how it is bounded here is what it reaches, not what is wanted.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from evenstring.cli import cli

TABLE = Path(__file__).parents[1] / "data" / "physics_charges" / "balancing.csv"
PACK = '[pack]\nname = "twelve physics cells, invented string"\ngroups = 12\nchemistry = "lco"\ncapacity_ah = 24.0\n'
BLEED_MA, LEFT_S, LOW = 200.0, 4680.0, 7


def report_of(folder: Path, *, sensor: bool) -> dict:
    pack, table, recording = folder / "pack.toml", folder / "table.csv", folder / "charge.frames"
    pack.write_text(PACK, encoding="utf-8")
    lines = TABLE.read_text(encoding="utf-8").splitlines()
    table.write_text("\n".join(line if sensor else line.rpartition(",")[0] for line in lines) + "\n", encoding="utf-8")
    made = CliRunner().invoke(cli, ["import", str(table), "--pack", str(pack), "-o", str(recording)])
    assert made.exit_code == 0, made.output
    return json.loads(CliRunner().invoke(cli, ["report", str(recording), "--json"]).stdout)


@pytest.mark.parametrize("sensor", [True, False], ids=["current", "no current"])
def test_a_string_of_physics_cells_is_seen_to_balance(tmp_path: Path, sensor: bool) -> None:
    report = report_of(tmp_path, sensor=sensor)
    found = report["balancing"]

    assert [p["kind"] for p in report["phases"]] == ["rest", "charge_cc", "charge_cv"]
    assert report["phases"][2]["start_s"] == pytest.approx(5480.0 - 10.0, abs=30.0)  # t_s counts from the first row
    assert (found["state"], found["answer"]) == ("converging", "time")
    assert found["bleeding_groups"] == [k for k in range(1, 13) if k != LOW]
    assert found["bleed_ma"] == pytest.approx(BLEED_MA, rel=0.25)
    assert 0.8 * LEFT_S < found["remaining_s"] < 1.8 * LEFT_S
    assert found["remaining_low_s"] < 1.25 * LEFT_S < found["remaining_high_s"]
