"""Errors of the meter along the string, and balance leads that it shares: said as such, no group accused."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from evenstring.analysis.causes.catalogue import SCATTER
from evenstring.analysis.causes.diagnosis import PREVALENCE, Diagnosis, diagnose, judge
from evenstring.analysis.causes.evidence.estimates import Evidence
from evenstring.analysis.causes.meter_patterns import course, without_meter_patterns
from evenstring.analysis.phases.segment import find_phases
from evenstring.analysis.readings.shared_leads import find_shared_leads, without_lead_drops
from evenstring.analysis.series.signals import make_signals
from evenstring.profile import PackProfile
from evenstring.sim import DutyCycle, MeterModel, Pack, measure, simulate

GROUPS = 20
PROFILE = PackProfile(groups=GROUPS)
EFFECT = np.array([6.0, 2.5, 6.5, 25.0])


@cache
def ridden(pattern: str, seed: int = 3) -> Diagnosis:
    """A ride and a charge of a healthy pack through a meter with one pattern (sim/meter.py injects it)."""
    rng = np.random.default_rng(seed)
    pack = Pack.random(rng, groups=GROUPS, soc=0.93)
    meter = MeterModel.random(rng, GROUPS)
    if pattern == "tap":
        taps = np.zeros(GROUPS + 1)
        taps[7] = 0.008  # between groups 7 and 8
        meter = replace(meter, tap_v=taps)
    elif pattern == "position":
        meter = replace(meter, position_v=0.015)
    elif pattern == "comb":
        meter = replace(meter, comb_v=0.005)
    plan = DutyCycle().rest(minutes=10).ride(minutes=50, seed=seed).rest(minutes=20).charge(hours=6, leave_hours=0.2)
    session = measure(simulate(pack, plan), meter, rng, scans_per_s=1.0, quiet_s=2.0)
    return diagnose(session, PROFILE, find_phases(session, PROFILE))


@pytest.mark.parametrize(("pattern", "size_mv"), [("tap", 8.0), ("position", 15.0), ("comb", 10.0)])
def test_a_pattern_of_the_meter_is_named_and_accuses_no_group(pattern, size_mv):
    diagnosis = ridden(pattern)

    first = diagnosis.patterns[0]
    assert first.kind == pattern
    assert first.size_mv == pytest.approx(size_mv, abs=0.25 * size_mv)
    assert [w for w in diagnosis.weakness if w.confidence >= 0.8] == []
    if pattern == "tap":
        assert (first.tap, first.groups) == (7, (7, 8))


def test_a_healthy_meter_shows_no_pattern():
    assert ridden("none").patterns == ()


def evidence(size: np.ndarray) -> Evidence:
    covariance = np.repeat(np.diag(np.square((0.4, 0.1, 0.3, 0.5)))[None], len(size), axis=0)
    return Evidence(size, covariance, np.full(len(size), np.nan), 0.5, True, 0.9)


def test_each_of_five_bad_taps_is_reported_and_none_is_dropped():
    """What is corrected is said: five taps, 10 mV each, well apart."""
    rng = np.random.default_rng(5)
    pack, meter = Pack.random(rng, groups=GROUPS, soc=0.93), MeterModel.random(rng, GROUPS)
    taps = np.zeros(GROUPS + 1)
    bad = [3, 7, 11, 15, 18]
    taps[bad] = (0.010, -0.010, 0.010, -0.010, 0.010)
    plan = DutyCycle().rest(minutes=10).ride(minutes=50, seed=5).rest(minutes=20).charge(hours=6, leave_hours=0.2)
    session = measure(simulate(pack, plan), replace(meter, tap_v=taps), rng, scans_per_s=1.0, quiet_s=2.0)

    diagnosis = diagnose(session, PROFILE, find_phases(session, PROFILE))

    assert sorted(p.tap for p in diagnosis.patterns if p.kind == "tap") == bad
    assert [w for w in diagnosis.weakness if w.confidence >= 0.8] == []


def test_one_offset_channel_alone_stays_a_meter_offset_of_one_group():
    size = np.random.default_rng(4).standard_normal((GROUPS, 4)) * (0.5, 0.2, 0.5, 2.0)
    size[6, 0] += 8.0

    _, patterns = without_meter_patterns(evidence(size), SCATTER, EFFECT, PREVALENCE)

    assert patterns == ()
    assert judge(evidence(size))[0].group == 7


def test_a_comb_shows_although_little_was_moved_and_charge_is_not_told_from_the_meter():
    """What the groups' uncertainties share cancels between odd and even ones."""
    size = np.random.default_rng(6).standard_normal((GROUPS, 4)) * (1.0, 0.4, 1.0, 4.0)
    size[:, 0] += np.where(np.arange(GROUPS) % 2 == 0, 3.0, -3.0)
    poor = replace(evidence(size), covariance=evidence(size).covariance * 60.0, depth=0.05)

    _, patterns = without_meter_patterns(poor, SCATTER, EFFECT, PREVALENCE)

    assert [p.kind for p in patterns] == ["comb"]
    assert patterns[0].size_mv == pytest.approx(6.0, abs=1.5)


def test_healthy_scatter_rarely_looks_like_a_pattern():
    rng = np.random.default_rng(8)
    seen = 0
    for _ in range(200):
        size = rng.standard_normal((GROUPS, 4)) * SCATTER
        seen += bool(without_meter_patterns(evidence(size), SCATTER, EFFECT, PREVALENCE)[1])

    assert seen <= 6


def charged(seed: int, lead_ohm: float):
    """Four groups high; they bleed without a pause (threshold rule), through leads that the meter shares."""
    rng = np.random.default_rng(seed)
    pack = Pack.random(rng, groups=GROUPS, soc=0.55)
    soc = pack.soc0.copy()
    soc[[3, 7, 11, 12]] += (0.02, 0.025, 0.03, 0.035)
    balancer = replace(pack.balancer, rule="threshold", threshold_v=4.205, hysteresis_v=0.02)
    trajectory = simulate(
        replace(pack, soc0=soc, balancer=balancer), DutyCycle().rest(minutes=10).charge(hours=4), step_s=2.0
    )
    meter = replace(MeterModel.random(rng, GROUPS), shared_lead_ohm=lead_ohm)
    return measure(trajectory, meter, rng, quiet_s=2.0), trajectory


def test_shared_balance_leads_are_recognised_and_tell_which_groups_bleed():
    """By hand: 50 mA through 87 mohm are 4.35 mV a lead, 8.7 mV on the group that bleeds."""
    session, trajectory = charged(2, 0.087)
    signals, phases = make_signals(session), find_phases(session, PROFILE)

    shared = find_shared_leads(signals, PROFILE, phases)

    assert shared.drop_mv == pytest.approx(8.7, rel=0.1)
    assert shared.lead_mohm == pytest.approx(87.0, rel=0.1)
    bled = trajectory.bleeding.any(axis=0)
    assert {g for g, _ in shared.hours_by_group} == set(np.flatnonzero(bled) + 1)
    assert shared.followed


def test_putting_the_drops_back_brings_the_readings_nearer_to_the_cells():
    session, trajectory = charged(2, 0.087)
    signals, phases = make_signals(session), find_phases(session, PROFILE)

    corrected = without_lead_drops(signals, find_shared_leads(signals, PROFILE, phases))

    late = (signals.time_s > 8000.0) & (signals.time_s < 13000.0)  # while groups bleed
    true = np.stack(
        [np.interp(signals.time_s[late], trajectory.time_s, trajectory.volts_v[:, g]) for g in range(GROUPS)], 1
    )

    def error_mv(volts: np.ndarray) -> float:
        left = volts[late] - true
        return float(np.std(left - np.median(left, axis=1, keepdims=True)) * 1e3)

    assert error_mv(corrected.volts_v) < 0.6 * error_mv(signals.volts_v)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_meter_with_leads_of_its_own_shows_no_such_steps(seed):
    session, _ = charged(seed, 0.0)

    assert find_shared_leads(make_signals(session), PROFILE, find_phases(session, PROFILE)) is None


def test_a_reading_that_is_missing_is_no_step_of_a_lead():
    """A table has holes; a hole once passed for a drop of thousands of millivolts."""
    session, _ = charged(1, 0.0)
    volts = session.volts_v.copy()
    volts[[500, 900, 1400, 1401, 2000], [3, 7, 3, 3, 9]] = np.nan
    holed = replace(session, volts_v=volts)

    assert find_shared_leads(make_signals(holed), PROFILE, find_phases(holed, PROFILE)) is None


@pytest.mark.parametrize("warmer", ["one row", "at one end"])
def test_a_string_wired_to_and_fro_between_two_rows_of_which_one_is_warmer_accuses_nobody(warmer: str) -> None:
    """Resistance falls by some per cent a kelvin (published: Arrhenius); the groups of two rows alternate."""
    rows = np.where(np.arange(GROUPS) % 2, 1.0, -1.0)
    along = np.linspace(-1.0, 1.0, GROUPS) if warmer == "at one end" else np.ones(GROUPS)
    values = 12.0 * rows * along + np.random.default_rng(2).normal(0.0, 1.0, GROUPS)
    faulty = values + 40.0 * (np.arange(GROUPS) == 5)

    left = values - course(values, np.full(GROUPS, 1.5))
    left_faulty = faulty - course(faulty, np.full(GROUPS, 1.5))

    assert np.abs(left - np.median(left)).max() < 4.0
    assert left_faulty[5] - np.median(left_faulty) == pytest.approx(40.0, abs=5.0)
