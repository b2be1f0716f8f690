"""Phases without a current sensor where the meter drifts, and where a charge begins at its constant voltage at once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from evenstring.analysis.phases.segment import find_phases
from evenstring.profile import PackProfile
from evenstring.session import Meter, Session
from evenstring.sim import ChargerModel, DutyCycle, MeterModel, Pack, measure, simulate

from tests.host.looks import a_day

GROUPS = 16
STATED = Meter(noise_v=0.0005, channel_u_v=0.001, gain_u=0.001)


def day(drift_per_h: float, *, with_current: bool, set_v: float = 4.20, soc: float = 0.8) -> tuple[Session, list]:
    """Rest, ride, rest, charge held for over an hour, rest; and the true phases."""
    charger = ChargerModel(current_a=5.0, set_v=GROUPS * set_v, done_light_a=0.5)
    pack = replace(Pack.random(np.random.default_rng(2), groups=GROUPS, soc=soc), charger=charger)
    plan = DutyCycle().rest(minutes=10).ride(minutes=12, seed=4).rest(minutes=20).charge(hours=2.2).rest(minutes=30)
    trajectory = simulate(pack, plan, step_s=2.0)
    meter = MeterModel(gain_per_h=drift_per_h, stated=STATED)
    session = measure(trajectory, meter, np.random.default_rng(3), quiet_s=2.0, with_current=with_current)
    return session, [(p.kind, p.start_s, p.end_s) for p in trajectory.phases]


@pytest.mark.parametrize("drift_per_h", [-2e-4, 0.0, 2e-4])
def test_a_drifting_meter_does_not_end_a_held_charge_nor_prolong_it(drift_per_h: float) -> None:
    """0.84 mV an hour at 4.2 V: a reference of 10 ppm/K that warms by 20 K an hour; truth from the simulator."""
    session, true = day(drift_per_h, with_current=False)

    found = find_phases(session, PackProfile(groups=GROUPS))

    assert [p.kind for p in found] == [kind for kind, _, _ in true]
    for phase, (_, _, end) in list(zip(found, true, strict=True))[:-1]:
        assert abs(phase.end_s - end) <= 90.0


def test_seven_minutes_of_constant_current_before_a_long_hold_are_not_lost() -> None:
    session, true = day(0.0, with_current=True, set_v=4.10, soc=0.82)

    found = find_phases(session, PackProfile(groups=GROUPS))

    assert [p.kind for p in found] == [kind for kind, _, _ in true]
    assert 60.0 < true[3][2] - true[3][1] < 1200.0
    assert abs(found[3].end_s - true[3][2]) <= 30.0


@pytest.mark.parametrize(("minutes", "charges"), [(2.0, 0), (12.0, 1)])
def test_a_descent_is_no_charge(minutes: float, charges: int) -> None:
    """Braking fills the pack for minutes in the middle of a ride; a charge is longer, or has a pause before it."""
    time_s = np.arange(0.0, 3600.0, 2.0)
    amps = np.full(len(time_s), -8.0)
    down = (time_s > 1200.0) & (time_s < 1200.0 + 60.0 * minutes)
    amps[down] = 4.0
    volts = np.repeat((3.8 + 0.005 * amps)[:, None], 6, axis=1).astype(np.float32)
    session = replace(a_day(len(time_s), 6), time_s=time_s, volts_v=volts, current_a=amps.astype(np.float32))

    found = [p.kind for p in find_phases(session, PackProfile(groups=6))]

    assert sum(kind.startswith("charge") for kind in found) == charges
