"""The simulated meter: its errors by kind, and the skew of a sequential scan."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from evenstring.session import Quality
from evenstring.sim import DutyCycle, LeadFault, MeterModel, Pack, measure, simulate

CLEAN = MeterModel(noise_v=0.0, current_noise_a=0.0)


def rng() -> np.random.Generator:
    return np.random.default_rng(1)


@pytest.fixture(scope="module")
def at_rest():
    pack = Pack.even(6, soc=0.8)
    return simulate(replace(pack, soc0=pack.soc0 + np.linspace(0, 0.05, 6)), DutyCycle().rest(minutes=10))


def excess_v(at_rest, meter):
    """(g,) what a meter shows beyond the truth."""
    return np.nanmean(measure(at_rest, meter, rng()).volts_v.astype(float), axis=0) - at_rest.volts_v.mean(axis=0)


def test_a_clean_meter_shows_the_truth_within_its_step(at_rest):
    assert np.abs(excess_v(at_rest, CLEAN)).max() <= 0.00011


def test_comb_tap_position_and_gain_errors_have_their_own_patterns(at_rest):
    tap = np.zeros(7)
    tap[3] = 0.004

    fine = replace(CLEAN, resolution_v=1e-6)
    assert excess_v(at_rest, replace(fine, comb_v=0.003)) == pytest.approx([0.003, -0.003] * 3, abs=1e-5)
    assert excess_v(at_rest, replace(fine, tap_v=tap)) == pytest.approx([0, 0, 0.004, -0.004, 0, 0], abs=1e-5)
    assert excess_v(at_rest, replace(fine, position_v=0.005)) == pytest.approx(np.arange(6) / 1000, abs=1e-5)
    assert excess_v(at_rest, replace(fine, gain=0.001)) == pytest.approx(at_rest.volts_v[0] / 1000, abs=1e-5)


def test_noise_has_the_stated_deviation(at_rest):
    session = measure(at_rest, replace(CLEAN, noise_v=0.002), rng())

    assert np.std(session.volts_v[:, 0]) == pytest.approx(0.002 / np.sqrt(2), rel=0.1)  # two passes averaged


def test_out_and_back_cancels_a_linear_drift_and_shows_it():
    current = np.linspace(0.0, -80.0, 601)
    t = simulate(Pack.even(24, soc=0.8, capacity_ah=80.0), DutyCycle().load(current, step_s=0.1))
    session = measure(t, CLEAN, rng())
    one_way = measure(t, replace(CLEAN, passes=1), rng())
    middle = slice(20, 100)

    assert np.ptp(session.volts_v[middle], axis=1).max() < 0.0006
    assert np.ptp(one_way.volts_v[middle], axis=1).min() > 0.001
    assert session.out_back_v is not None
    assert session.out_back_v[middle, 0].mean() > session.out_back_v[middle, -1].mean() + 0.002


def test_current_is_read_beside_every_reading():
    current = -10.0 * (np.arange(6001) // 20 % 2)
    t = simulate(Pack.even(4, soc=0.8), DutyCycle().load(current, step_s=0.1))
    session = measure(t, CLEAN, rng())

    assert session.current_out_a is not None
    assert session.out_offset_s is not None
    instants = session.time_s[:, None] + session.out_offset_s + session.span_s[0] / 2
    assert session.current_out_a == pytest.approx(np.interp(instants, t.time_s, t.current_a), abs=0.0061)


def test_a_shared_balance_lead_makes_the_bleeding_group_read_low_and_its_neighbours_high():
    # by hand: 50 mA over 87 mohm is 4.35 mV a lead; two leads on the bleeding group, one on each neighbour
    pack = Pack.even(6, soc=0.99)
    pack = replace(pack, balancer=replace(pack.balancer, stuck=(3,), rule="threshold", threshold_v=9.0))
    t = simulate(pack, DutyCycle().rest(minutes=10))
    session = measure(t, replace(CLEAN, resolution_v=1e-6, shared_lead_ohm=0.087), rng())
    middle = session.volts_v[600] - t.volts_v[np.searchsorted(t.time_s, session.time_s[600])]

    assert middle * 1000 == pytest.approx([0, 4.35, -8.7, 4.35, 0, 0], abs=0.05)


def test_an_open_lead_takes_both_its_groups_and_is_never_a_number(at_rest):
    session = measure(at_rest, replace(CLEAN, faults=(LeadFault("lead_open", start_s=300.0, tap=2),)), rng())
    after = session.time_s > 301

    assert (session.quality[after, 1:3] == Quality.LEAD_OPEN).all()
    assert np.isnan(session.volts_v[after, 1:3]).all()
    assert (session.quality[after, 0] == Quality.OK).all()


def test_swapped_leads_read_negative_and_beyond_the_range(at_rest):
    session = measure(at_rest, replace(CLEAN, faults=(LeadFault("swapped_leads", tap=2, other_tap=3),)), rng())

    assert (session.quality[:, 1] == Quality.OVER_POSITIVE).all()  # two groups at once
    assert (session.volts_v[:, 2] < -3.9).all()


def test_a_stuck_relay_ends_the_scanning(at_rest):
    session = measure(at_rest, replace(CLEAN, faults=(LeadFault("stuck_relay", start_s=200.0, tap=1),)), rng())

    assert session.duration_s < 200.0


def test_storage_is_a_gap():
    t = simulate(Pack.even(4, soc=0.6), DutyCycle().rest(minutes=5).store(days=2).rest(minutes=5))
    session = measure(t, CLEAN, rng())

    assert session.scans == pytest.approx(2 * 600, abs=4)
    assert [round(gap.end_s - gap.start_s) for gap in session.gaps] == [2 * 86400 + 1]
