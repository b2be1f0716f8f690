"""One rest for phases, events and the live view; one resistance a group in a report."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from evenstring.analysis.phases.segment import find_phases
from evenstring.analysis.readings.limit_visits import find_events
from evenstring.analysis.series.resistance import group_resistance, step_response
from evenstring.analysis.series.rest import REST_S, rest_current_a
from evenstring.analysis.series.uncertainty import meter_error
from evenstring.live.state import LiveState
from evenstring.profile import PackProfile
from evenstring.session import Session
from evenstring.sim import DutyCycle, MeterModel, Pack, measure, simulate

GROUPS = 12
PROFILE = PackProfile(groups=GROUPS, capacity_ah=8.0)


@pytest.mark.parametrize(("capacity_ah", "most_a"), [(4.0, 0.02), (20.0, 0.1), (80.0, 0.1)])
def test_rest_is_no_more_than_the_smaller_of_c_200_and_a_tenth_of_an_ampere(capacity_ah: float, most_a: float) -> None:
    assert rest_current_a(PackProfile(groups=GROUPS, capacity_ah=capacity_ah)) == pytest.approx(most_a)


@pytest.mark.parametrize(("share", "phase"), [(0.9, "rest"), (1.5, "ride")])
def test_the_live_view_rests_by_the_same_current_as_the_report(share: float, phase: str) -> None:
    """8 Ah: 0.04 A. A small discharge above it is no rest, though it is under a tenth of an ampere."""
    state = LiveState(PROFILE)
    t = np.arange(0.0, REST_S + 30.0)
    current = np.full(len(t), -share * rest_current_a(PROFILE), np.float32)

    state.take(t, np.full((len(t), GROUPS), 3.7, np.float32), current)

    assert state.phase == phase


def ridden():
    rng = np.random.default_rng(6)
    pack = Pack.random(rng, groups=GROUPS, soc=0.12)
    plan = DutyCycle().rest(minutes=6).ride(minutes=20, seed=6).rest(minutes=10)
    return pack, measure(simulate(pack, plan), MeterModel.random(rng, GROUPS), rng, scans_per_s=2.0)


def test_an_event_frees_its_extreme_of_the_same_resistance_as_causes_rest_on() -> None:
    _, session = ridden()
    profile = PackProfile(groups=GROUPS, empty_v=3.4)
    ohm, u_ohm = group_resistance(session)

    events = find_events(session, profile, find_phases(session, profile), meter_error(session))

    freed = [e for e in events if e.ir_free_v is not None and e.extreme_v is not None]
    assert freed
    for event in freed:
        amps = (event.extreme_v - event.ir_free_v) / ohm[event.group - 1]
        assert np.abs(session.current_a - amps).min() < 1e-3
    assert (u_ohm < 0.1 * ohm).all()


def test_group_resistance_is_the_simulators_own() -> None:
    pack, session = ridden()
    ohm, _ = group_resistance(session)

    ratio = ohm / np.median(ohm) / (pack.r0_ohm / np.median(pack.r0_ohm))

    assert ratio == pytest.approx(np.ones(GROUPS), abs=0.05)


def test_the_step_response_of_a_circuit_worked_out_by_hand() -> None:
    """10 mohm at once and 6 mohm with 30 s, on a level that falls by 0.1 V: after 5 and 60 s by the exponential."""
    rng = np.random.default_rng(9)
    second = np.arange(3600)
    amps = np.repeat(rng.uniform(-30.0, 5.0, 240), 15)
    late, v = 0.0, np.zeros(3600)
    for k in range(3600):
        before = amps[k - 1] if k else amps[0]
        late += ((amps[k] + before) / 2.0 - late) * -np.expm1(-1.0 / 30.0)
        v[k] = 3.8 - 0.1 * k / 3600.0 + 0.010 * amps[k] + 0.006 * late

    found = step_response(second, amps, v + rng.normal(0.0, 0.0005, 3600))

    for seconds in (5.0, 60.0):
        assert found.after(seconds) == pytest.approx(0.010 + 0.006 * -np.expm1(-seconds / 30.0), rel=0.05)
    assert 0.0005 < found.left_v < 0.001  # the noise, and what a polynomial in charge leaves of a fall in time


def test_a_load_that_hardly_changes_tells_no_resistance() -> None:
    _, session = ridden()

    assert step_response(np.arange(300), np.full(300, -5.0), np.full(300, 3.7)) is None
    assert group_resistance(replace(session, current_a=None)) is None
    still = np.zeros(session.scans, np.float32)
    assert group_resistance(replace(session, current_a=still, current_out_a=None, current_back_a=None)) is None


def charged(starts_v: float = 0.0, ends_v: float = 0.0) -> Session:
    """An hour at rest, one with 15 A through 8 mohm, one at rest; group 5 lies off at its start and as it ends."""
    amps = np.repeat([0.0, 15.0, 0.0], 3600)
    away = np.repeat([starts_v, 0.9 * starts_v, 0.0], 3600)
    away[7190:7200] = np.linspace(0.0, ends_v, 10)
    volts = np.random.default_rng(5).normal(3.5, 2e-4, (len(amps), GROUPS)) + 0.008 * amps[:, None]
    volts[:, 4] += away
    n = len(amps)
    return Session(
        np.arange(n, dtype=float), volts.astype(np.float32), np.zeros(volts.shape, np.uint8), np.zeros(n, np.float32),
        current_a=amps.astype(np.float32),
    )  # fmt: skip


def test_what_the_steps_of_a_group_disagree_by_is_part_of_its_uncertainty() -> None:
    """A group whose curve is steep at its top falls by 80 mV more as the charger goes, and began as the others did.

    By hand: 8 and 13.3 mohm, in the mean a third more, of which the half between them is the uncertainty. Of a
    published iron phosphate cell a sound group had 21 % more resistance at 0.98.
    """
    ohm, u_ohm = group_resistance(charged(ends_v=0.080))

    assert ohm[4] == pytest.approx(0.0107, rel=0.02)
    assert u_ohm[4] == pytest.approx(0.0027, rel=0.05)
    assert np.delete(u_ohm, 4).max() < 1e-4


def test_of_a_group_that_stands_elsewhere_on_its_curve_a_step_tells_no_resistance() -> None:
    """Nearly empty it lies 0.45 V below and climbs as the charge begins: that is its curve.

    Of a published cell a group with 16 % less capacity had "109 % more resistance".
    """
    session = charged(starts_v=-0.45)
    ohm, u_ohm = group_resistance(session)

    assert ohm[4] == pytest.approx(0.008, rel=0.02)  # by the end of the charge alone

    only_start = replace(session, current_a=session.current_a[:7200], volts_v=session.volts_v[:7200],
                         time_s=session.time_s[:7200], quality=session.quality[:7200],
                         span_s=session.span_s[:7200])  # fmt: skip
    ohm, u_ohm = group_resistance(only_start)

    assert ohm[4] == pytest.approx(0.008, rel=0.02)
    assert u_ohm[4] > ohm[4]  # nothing is known
    assert np.delete(u_ohm, 4).max() < 1e-4
