"""Scenarios: the library runs, and mistakes are refused with line and reason."""

from __future__ import annotations

import json

import numpy as np
import pytest
from evenstring.errors import InputError
from evenstring.sim.scenario import load_scenario, parse_scenario, scenario_names
from evenstring.sim.scenario.faults import KINDS, board_faults
from evenstring.sim.scenario.truth import truth_of

from tests.worlds.scenario_material import LONG

GOOD = """[scenario]
title = "test"
answers = [1]
[pack]
groups = 8
soc = 0.7
[[step]]
do = "rest"
minutes = 5
[[step]]
do = "ride"
minutes = 2
"""


def test_the_library_has_twenty_and_more_and_covers_all_questions():
    scenarios = [load_scenario(name) for name in scenario_names()]

    assert len(scenarios) >= 20
    assert {a for s in scenarios for a in s.answers} == set(range(1, 9))
    assert "demo" in scenario_names()


@pytest.mark.slow
@pytest.mark.parametrize(
    "name", [pytest.param(n, marks=pytest.mark.soak if n in LONG else ()) for n in scenario_names()]
)
def test_every_scenario_runs_and_its_truth_is_json(name):
    scenario = load_scenario(name)
    trajectory = scenario.run()
    truth = json.loads(truth_of(trajectory, scenario.faults, scenario=name).to_json())

    assert np.isfinite(trajectory.volts_v).all()
    assert (np.diff(trajectory.time_s) > 0).all()
    assert truth["invented"] is True
    assert len(truth["soc_end"]) == truth["groups"] == trajectory.pack.groups
    assert len(truth["faults"]) == len(scenario.faults)


@pytest.mark.slow
def test_the_demo_tells_its_story():
    scenario = load_scenario("demo")
    t = scenario.run()
    ride, *_ = t.phases
    in_ride = t.time_s < ride.end_s
    departure = t.volts_v[in_ride] - np.median(t.volts_v[in_ride], axis=1, keepdims=True)

    assert int(departure.min(axis=0).argmin()) == 13 - 1  # sags
    assert [p.ended for p in t.phases if p.kind.startswith("charge")] == ["ceiling", "cv", "still_connected"]
    assert t.spread_v[-1] < 0.010
    assert (t.spread_v[np.searchsorted(t.time_s, t.phases[-1].start_s)]) > 0.020


def refused(text: str) -> str:
    with pytest.raises(InputError) as caught:
        parse_scenario(text, where="mine.toml")
    return str(caught.value)


@pytest.mark.parametrize(
    ("change", "line", "reason"),
    [
        (("soc = 0.7", "sco = 0.7"), 6, "did you mean 'soc'"),
        (("[pack]", "[pakc]"), 4, "did you mean 'pack'"),
        (("soc = 0.7", "capacity_ah = -20"), 6, "at least"),
        (("soc = 0.7", "capacity_ah = nan"), 6, "number"),
        (("groups = 8", "groups = 41"), 5, "at most 40"),
        (("groups = 8", "groups = 7.5"), 5, "whole"),
        (("groups = 8\n", ""), 4, "needs groups"),
        (('do = "rest"', 'do = "nap"'), 8, "ride, rest, charge, store"),
        (("minutes = 2", "hours = 2"), 12, "not known"),
        (("minutes = 2", "minutes = 2\nuntil_soc = 0.9"), 13, "impossible"),
        (("answers = [1]", "answers = [9]"), 3, "1 to 8"),
        (("minutes = 5", 'minutes = "5"'), 9, "number"),
        (("soc = 0.7", "soc = 0.0"), 11, "empty"),
        (("soc = 0.7", "capacity_ah = 1" + "0" * 400), 6, "at most"),
        (("minutes = 5", "minutes = 1e12"), 9, "at most 10080"),
    ],
)
def test_mistakes_are_refused_with_line_and_reason(change, line, reason):
    assert change[0] in GOOD
    message = refused(GOOD.replace(*change))

    assert message.startswith(f"mine.toml, line {line}:")
    assert reason in message


@pytest.mark.parametrize(
    ("fault", "line", "reason"),
    [
        ('kind = "lazy_group"\ngroup = 2', 14, "not known"),
        ('kind = "leak"\ngroup = 2', 13, "needs ma"),
        ('kind = "leak"\ngroup = 9\nma = 3', 15, "beyond"),
        ('kind = "leak"\ngroup = 2\nma = 3\nstart_h = 5', 17, "impossible"),
        ('kind = "lead_open"\ntap = 2\nstart_h = 0.1\nend_h = 0.05', 17, "before"),
        ('kind = "leak"\ngroup = 2\nma = 3\nvolts = 5', 17, "not known"),
    ],
)
def test_faults_that_cannot_be_are_refused_with_line_and_reason(fault, line, reason):
    message = refused(f"{GOOD}[[fault]]\n{fault}\n")

    assert f"line {line}:" in message
    assert reason in message


def test_text_that_is_not_toml_and_names_that_are_not_there():
    assert "not valid TOML" in refused("[pack\n")
    with pytest.raises(InputError, match="no such scenario"):
        load_scenario("no_such")


def test_all_kinds_of_faults_can_be_written_and_act():
    values = {"group": 2, "tap": 2, "other_tap": 3, "percent": 5, "mohm": 1, "of": 4, "ma": 3, "mv": 3, "ppm": 500,
              "mv_per_h": 2, "open_s": 1, "closed_s": 2}  # fmt: skip
    plain = parse_scenario(GOOD).run()
    for kind, keys in KINDS.items():
        tables = "\n".join(f"{key} = {values[key]}" for key in keys)
        scenario = parse_scenario(f'{GOOD}[[fault]]\nkind = "{kind}"\n{tables}\n')
        acted = (
            not np.array_equal(scenario.run().volts_v, plain.volts_v)
            or board_faults(scenario.meter, 8) != board_faults(parse_scenario(GOOD).meter, 8)
            or scenario.run().pack.balancer.dead != ()
        )
        assert acted, kind
