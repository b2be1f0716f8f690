"""The verdict does not hang on how often a string was read: a pack at 0.1, 1 and 10 s, and with half left out."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from evenstring.analysis.results import Verdict
from evenstring.analysis.run import analyse
from evenstring.profile import parse_profile
from evenstring.session import Session
from evenstring.sim.meter import measure
from evenstring.sim.run.trajectory import Trajectory
from evenstring.sim.scenario import Scenario, load_scenario

# From the mildest to the gravest; "too little" counts as more cautious than what it is said instead of.
CAUTION = ("ride", "ride_weak_group", "keep_charging", "too_little_data", "inspect", "do_not_charge")
SCENARIOS = ("ends_early_high_group", "unplugged_before_cv", "light_on_but_uneven", "visited_discard")


@cache
def pack(name: str) -> tuple[Scenario, Trajectory]:
    scenario = load_scenario(name)
    return scenario, scenario.run()


def read(name: str, step_s: float) -> Session:
    scenario, trajectory = pack(name)
    rng = np.random.default_rng(5)
    return measure(trajectory, scenario.meter, rng, scans_per_s=1 / step_s, quiet_s=max(step_s, 2.0))


def halved(session: Session) -> Session:
    """Half of the scans left out at random, all columns alike."""
    keep = np.sort(np.random.default_rng(6).permutation(session.scans)[: session.scans // 2])
    names = ("time_s", "volts_v", "quality", "span_s", "out_back_v", "current_a", "current_out_a", "current_back_a",
             "pack_v", "temps_c")  # fmt: skip
    columns = {n: getattr(session, n) for n in names}
    offsets = {n: getattr(session, n) for n in ("out_offset_s", "back_offset_s")}
    offsets = {n: v[keep] if v is not None and v.ndim > 1 else v for n, v in offsets.items()}
    return replace(session, **{n: None if v is None else v[keep] for n, v in columns.items()}, **offsets)


def verdict(name: str, session: Session) -> Verdict:
    return analyse(session, parse_profile(pack(name)[0].pack_toml)).verdict


@cache
def verdict_at_1_s(name: str) -> Verdict:
    return verdict(name, read(name, 1.0))


@pytest.mark.slow
@pytest.mark.parametrize("name", SCENARIOS)
@pytest.mark.parametrize("how", ["0.1 s", "10 s", "half of 1 s"])
def test_the_same_pack_gets_the_same_verdict_or_a_more_cautious_one_that_says_why(name: str, how: str) -> None:
    other = halved(read(name, 1.0)) if how.startswith("half") else read(name, float(how.split(maxsplit=1)[0]))

    first, second = verdict_at_1_s(name), verdict(name, other)

    assert CAUTION.index(second.action) >= CAUTION.index(first.action)
    if second.action != first.action:
        assert second.reasons[0].kind not in {r.kind for r in first.reasons}
    assert second.reasons


@pytest.mark.slow
@pytest.mark.parametrize("name", ["unplugged_before_cv", "stops_at_eighty"])
@pytest.mark.parametrize("step_s", [1.0, 10.0, 60.0])
def test_a_charge_that_ran_at_full_current_to_the_plug_did_not_end_at_constant_voltage(
    name: str, step_s: float
) -> None:
    """Truth of both: 5.0 A or so to the last second."""
    found = analyse(read(name, step_s), parse_profile(pack(name)[0].pack_toml))

    assert found.charge.ended == "stopped_before_cv"
    assert not [p for p in found.phases if p.kind == "charge_cv"]
