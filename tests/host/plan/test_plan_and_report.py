"""What plan and report say of the next charge may not differ: both are read by the same rider on the same evening."""

from __future__ import annotations

import csv
import re
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from evenstring.cli import cli
from evenstring.plan.answer import Answer, Asked, Plan, answer, ranged, rests_on
from evenstring.plan.first import first_of
from evenstring.plan.habits import Outlook, outlooks
from evenstring.plan.state import PackState, state_of
from evenstring.report.material import Material
from evenstring.report.next_steps import next_step
from evenstring.sim.cells.pack import Pack
from evenstring.sim.meter import MeterModel, measure
from evenstring.sim.run.daily_habit import Habit
from evenstring.sim.run.duty_cycle import DutyCycle
from evenstring.sim.run.engine import simulate
from evenstring.sim.run.random_ride import Load

from tests.shares import first_few
from tests.worlds.scenario_material import scenario_material

GROUPS = 20
GRAVE = ("do_not_charge", "inspect")
OF_CHARGING = re.compile(r"charge it|charger|plug|light|next charge|full", re.IGNORECASE)


@cache
def some_year() -> tuple[Outlook, ...]:
    """Of an even pack: here only words are asked about."""
    even = np.zeros(GROUPS)
    return outlooks(PackState("nmc", 20.0, 4.2, 4.25, 4.18, even, 1e-5, even, even + 1e-6, 0.05, 1e-4))


def planned(material: Material, least: Habit | None) -> Answer:
    state, asked = state_of(material), Asked(2.0, 0.3, 1.0)
    return answer(Plan(state, asked, some_year(), least, first_of(material)))


@pytest.mark.slow
@pytest.mark.parametrize("scenario", first_few(8, [
    "charger_off_at_light", "charger_set_low", "ends_early_high_group", "even_evening_charge", "light_on_but_uneven",
    "one_percent_four_hours", "stops_at_eighty", "unplugged_before_cv", "dead_bleeder",
]))  # fmt: skip
def test_where_the_report_speaks_of_charging_the_plan_says_the_same_first(scenario: str) -> None:
    material = scenario_material(scenario)
    said = next_step(material)

    for least in (Habit(full_every=5, hold_h=0.5), Habit(full_every=1), None):
        told = planned(material, least)
        if material.found.verdict.action not in GRAVE and OF_CHARGING.search(said):
            assert told.do == said.rstrip(".")
            assert told.why.startswith("From then on: ")


def a_table(path: Path, *, charged: bool) -> Path:
    """Group 7 lacks 4 %: a ride and a rest, or these and a charge that ends uneven."""
    rng = np.random.default_rng(3)
    pack = Pack.random(rng, groups=GROUPS, capacity_ah=20.0, soc=0.85)
    soc = np.full(GROUPS, 0.85)
    soc[6] -= 0.04
    day = DutyCycle().rest(minutes=20, step_s=10.0).ride(minutes=30, seed=3, load=Load(peak_a=30.0), step_s=1.0)
    day = day.rest(minutes=15, step_s=10.0)
    if charged:
        day = day.charge(hours=6, leave_hours=1.0, step_s=10.0)
    lived = simulate(replace(pack, soc0=soc), day.rest(minutes=30, step_s=10.0))
    seen = measure(lived, MeterModel(noise_v=0.0003), rng, scans_per_s=0.1, quiet_s=10.0, current_per_reading=False)
    with path.open("w", newline="") as file:
        table = csv.writer(file)
        table.writerow(["time_s", *[f"cell{k + 1}" for k in range(GROUPS)]])
        table.writerows([round(float(t), 1), *np.round(v, 4)] for t, v in zip(seen.time_s, seen.volts_v, strict=True))
    return path


@pytest.mark.slow
@pytest.mark.parametrize("charged", [True, False])
def test_of_one_table_both_commands_say_the_same_next_charge_and_what_is_assumed(tmp_path: Path, charged: bool) -> None:
    table = str(a_table(tmp_path / "may.csv", charged=charged))
    pack = ["--groups", str(GROUPS), "--chemistry", "nmc"]
    report = CliRunner().invoke(cli, ["report", table, *pack, "-o", str(tmp_path / "report")])
    plan = CliRunner().invoke(cli, ["plan", table, *pack])
    now = " ".join(report.output.split("Now: ")[1].split("After that")[0].split("\n\n")[0].split())
    told = " ".join(plan.output.split())

    assert f"Next charge: {now}" in told
    assert "a capacity of 20 Ah" in told
    assert ("groups that begin as level as new ones" in told) != charged


def test_an_interval_of_one_number_is_one_number() -> None:
    assert ranged(4.6, 5.0, 5.4) == "5"
    assert ranged(4.0, 5.0, 9.0) == "5 (4 to 9)"


def test_a_habit_of_every_second_charge_and_what_nobody_said_are_told_in_words() -> None:
    even = np.zeros(GROUPS)
    state = PackState("nmc", 20.0, 4.2, 4.25, 4.18, even, 1e-5, None, None, 0.05, 0.4, assumed=("a capacity of 20 Ah",))
    plan = Plan(state, Asked(2.0, 0.3, 1.0), some_year(), Habit(full_every=2, hold_h=0.5))

    assert answer(plan).do.startswith("stop at 80 %, but every second time to full, and leave it on for half an hour")
    assert rests_on(plan)[0] == "Assumed, since nobody says it: a capacity of 20 Ah."
