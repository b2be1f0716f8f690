"""Leaks from two rests, and what changed between two recordings."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from evenstring.analysis.causes.diagnosis import find_weakness
from evenstring.analysis.causes.self_discharge import find_leaks, second_look
from evenstring.analysis.phases.segment import find_phases
from evenstring.profile import PackProfile
from evenstring.sim import DutyCycle, MeterModel, Pack, measure, simulate

from tests.worlds.fault_sessions import make_case

PROFILE = PackProfile(groups=20)


def stored(seed: int, percent_per_week: float, days: float = 21.0, *, charge_between: bool = False):
    """Two rests of an hour with a store between; group 8 loses so much more than the others."""
    rng = np.random.default_rng(seed)
    pack = Pack.random(rng, groups=20, soc=0.6)
    leak = pack.leak_a.copy()
    leak[7] += percent_per_week / 100.0 * 20.0 / (7 * 24)
    plan = DutyCycle().rest(minutes=60, step_s=10.0).store(days=days)
    if charge_between:
        plan = plan.charge(hours=1.0, step_s=10.0)
    plan = plan.rest(minutes=60, step_s=10.0)
    trajectory = simulate(replace(pack, leak_a=leak), plan, step_s=10.0)
    return measure(trajectory, MeterModel.random(rng, 20), rng, scans_per_s=0.1)


@cache
def leaks(seed: int, percent_per_week: float):
    session = stored(seed, percent_per_week)
    return find_leaks(session, PROFILE, find_phases(session, PROFILE))


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_a_leak_of_half_a_per_cent_a_week_shows_over_three_weeks(seed):
    found = leaks(seed, 0.5)

    assert found[0].group == 8
    assert found[0].confidence >= 0.8
    assert found[0].percent_per_week == pytest.approx(0.5, abs=0.25)  # scatter of the others is in the effect
    assert not found[0].by_balancer


@pytest.mark.parametrize("seed", [1, 2, 3, 4, 5, 6])
def test_a_healthy_pack_in_storage_leaks_nowhere(seed):
    assert [leak for leak in leaks(seed, 0.0) if leak.confidence >= 0.8] == []


def test_a_bleeder_that_never_stops_is_the_balancers_fault():
    """50 mA of 20 Ah are 42 % a week (by hand: 0.05 x 168 / 20)."""
    session = stored(5, 42.0, days=2.5)

    found, _ = find_weakness(session, PROFILE, find_phases(session, PROFILE))

    assert (found[0].group, found[0].cause) == (8, "balancer_fault")
    assert found[0].size == pytest.approx(42.0, rel=0.3)


def test_a_charge_between_the_rests_withholds_the_answer():
    """The balancer may have hidden the leak in between."""
    session = stored(6, 0.5, charge_between=True)

    assert find_leaks(session, PROFILE, find_phases(session, PROFILE)) is None


def test_a_group_that_faded_between_two_recordings_is_found_with_its_interval():
    case = make_case(21, "ride and charge", "healthy", 0.0)
    worn = make_case(21, "ride and charge", "low_capacity", 2.0)  # the same pack, one group 10 % down

    changes = second_look(case.session, worn.session, case.profile)

    faded = next(c for c in changes if c.what == "low_capacity")
    true = worn.truth[worn.group - 1, 2] - case.truth[worn.group - 1, 2]
    assert faded.group == worn.group
    assert faded.low <= true <= faded.high
