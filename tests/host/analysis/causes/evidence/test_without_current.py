"""Causes where no current sensor was fitted: what can be told, and what is left open with a reason."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from evenstring.analysis.causes.diagnosis import Diagnosis, diagnose
from evenstring.analysis.causes.evidence.relative_sag import implied_rate, relative_resistance
from evenstring.analysis.phases.segment import find_phases
from evenstring.analysis.series.signals import make_signals
from evenstring.profile import PackProfile
from evenstring.session import Session
from evenstring.sim import DutyCycle, MeterModel, Pack, measure, simulate

from tests.worlds.fault_sessions import Case, make_case


@cache
def made(cause: str, kind: str = "ride and charge", number: int = 11, share: float = 2.0) -> Case:
    return make_case(number, kind, cause, share)


def blinded(session: Session) -> Session:
    return replace(session, current_a=None, current_out_a=None, current_back_a=None)


@cache
def told(cause: str, kind: str = "ride and charge") -> Diagnosis:
    case = made(cause, kind)
    session = blinded(case.session)
    return diagnose(session, case.profile, find_phases(session, case.profile))


@pytest.mark.slow
@pytest.mark.parametrize("cause", ["charge_offset", "low_capacity", "high_resistance"])
def test_a_clear_fault_is_named_without_a_current_sensor(cause):
    case = made(cause)
    column = ("meter_offset", "charge_offset", "low_capacity", "high_resistance").index(cause)
    truth = abs(float(case.truth[case.group - 1, column]))

    first = told(cause).weakness[0]

    assert (first.group, first.cause) == (case.group, cause)
    assert abs(first.size) == pytest.approx(truth, rel=0.25)
    assert first.unit == "%"  # shares: there are no ohms and no ampere-hours without a current
    assert "no current sensor" in first.detail


def test_a_healthy_pack_accuses_nobody_without_a_sensor_either():
    assert not [w for w in told("healthy").weakness if w.confidence >= 0.8]


@pytest.mark.parametrize("cause", ["charge_offset", "low_capacity"])
def test_the_rests_before_and_after_a_ride_tell_charge_from_capacity(cause: str) -> None:
    case = made(cause, "ride")
    column = ("meter_offset", "charge_offset", "low_capacity").index(cause)
    truth = abs(float(case.truth[case.group - 1, column]))

    first = told(cause, "ride").weakness[0]

    assert (first.group, first.cause) == (case.group, cause)
    assert abs(first.size_low) < truth < abs(first.size_high) or abs(first.size_high) < truth < abs(first.size_low)


def test_a_ride_between_loads_tells_resistance_and_says_why_nothing_else() -> None:
    """Of the ride alone, without its rests."""
    case = made("low_capacity", "ride")
    session, (*_, ride) = (
        blinded(case.session),
        [p for p in find_phases(case.session, case.profile) if p.kind == "ride"],
    )

    diagnosis = diagnose(session, case.profile, (ride,))

    assert not [w for w in diagnosis.weakness if w.cause in ("charge_offset", "meter_offset") and w.confidence >= 0.8]
    assert "charge, capacity and meter are not told apart" in diagnosis.unknown.why
    assert "whole charge" in diagnosis.unknown.record_next


def test_a_ride_alone_names_the_group_of_more_resistance():
    case = made("high_resistance", "ride")

    first = told("high_resistance", "ride").weakness[0]

    assert (first.group, first.cause) == (case.group, "high_resistance")
    assert first.size == pytest.approx(float(case.truth[case.group - 1, 3]), rel=0.15)


def test_ratios_of_resistance_are_the_simulators_own_although_the_scan_takes_time():
    case = made("high_resistance")
    true = 1.0 + case.truth[:, 3] / 100.0

    ratio, u = relative_resistance(blinded(case.session))

    assert np.abs(ratio - true / np.median(true)).max() < 0.025
    assert np.abs(ratio - true / np.median(true)).max() < 3.0 * u.max()


def test_the_charge_moved_follows_the_true_current():
    """Coulomb count of the simulator's current over its capacity, against what the voltage alone says."""
    case = made("healthy")
    session = blinded(case.session)
    signals = make_signals(session)

    implied = implied_rate(signals, case.profile, find_phases(session, case.profile))

    steps_h = np.diff(signals.time_s, prepend=signals.time_s[0]) / 3600.0
    true = np.interp(signals.time_s, case.session.time_s, case.session.current_a) * steps_h / case.profile.capacity_ah
    assert np.abs(np.cumsum(implied.rate_c * steps_h) - np.cumsum(true)).max() < 0.05


def test_on_the_plateau_of_lfp_neither_charge_nor_capacity_nor_meter_is_claimed():
    """5 % less charge is under a millivolt there: to put it on anything would be a guess."""
    rng = np.random.default_rng(9)
    pack = Pack.random(rng, groups=16, soc=0.75, chemistry="lfp", r0_ohm=0.004)
    soc = pack.soc0.copy()
    soc[4] -= 0.05
    plan = DutyCycle().rest(minutes=10).ride(minutes=30, seed=2).rest(minutes=20).charge(hours=1.0)
    meter = MeterModel.random(rng, 16)
    session = measure(simulate(replace(pack, soc0=soc), plan), meter, rng, quiet_s=2.0, with_current=False)
    profile = PackProfile(
        16, chemistry="lfp", full_v=3.60, ceiling_v=3.65, empty_v=2.5, discard_v=2.0, threshold_v=3.45
    )

    diagnosis = diagnose(session, profile, find_phases(session, profile))

    assert [w for w in diagnosis.weakness if w.cause != "high_resistance" and w.confidence >= 0.5] == []
    assert "flat" in diagnosis.unknown.why
