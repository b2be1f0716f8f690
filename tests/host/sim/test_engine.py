"""The engine against arithmetic by hand. Handbook: D. Andrea, Battery Management Systems..., Artech House 2010."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from evenstring.sim import (
    Balancer,
    ChargerModel,
    DutyCycle,
    Pack,
    Protection,
    Scatter,
    continue_until_balanced,
    simulate,
)


def low_group(pack: Pack, k: int, by: float) -> Pack:
    soc = pack.soc0.copy()
    soc[k] -= by
    return replace(pack, soc0=soc)


def test_charge_is_conserved_to_one_part_in_a_billion():
    pack = replace(Pack.random(np.random.default_rng(1), soc=0.8), heat_k_per_a2=0.0)
    t = simulate(pack, DutyCycle().ride(minutes=10, seed=1).rest(minutes=10).charge(hours=3))
    hours = np.diff(t.time_s) / 3600.0
    moved = ((t.current_a[1:] + t.current_a[:-1]) / 2 * hours).sum()
    bled = (t.bleeding[1:] * (pack.balancer.bleed_a * hours)[:, None]).sum(axis=0)
    leaked = pack.leak_a * hours.sum()

    stored = (t.soc[-1] - t.soc[0]) * pack.capacity_ah

    assert t.bleeding.any()
    np.testing.assert_allclose(stored, moved - bled - leaked, rtol=0, atol=1e-9 * pack.capacity_ah.max())


def test_error_falls_with_the_square_of_the_step_for_a_smooth_load():
    pack = replace(Pack.even(2, soc=0.6), heat_k_per_a2=0.0)  # warming is followed block by block, in first order only

    def volts(step_s: float) -> float:
        t = np.arange(round(600 / step_s) + 1) * step_s
        return float(simulate(pack, DutyCycle().load(-20 * np.sin(t / 40) ** 2, step_s=step_s)).volts_v[-1, 0])

    exact = volts(0.125)
    errors = [abs(volts(h) - exact) for h in (8.0, 4.0, 2.0)]

    assert errors[0] / errors[1] == pytest.approx(4.0, rel=0.15)
    assert errors[1] / errors[2] == pytest.approx(4.0, rel=0.15)


def test_a_charge_converges_as_the_step_shrinks():
    def soc(step_s: float) -> float:
        return float(simulate(Pack.even(4, soc=0.7), DutyCycle().charge(hours=2), step_s=step_s).soc[-1, 0])

    exact = soc(0.25)
    errors = [abs(soc(h) - exact) for h in (16.0, 4.0, 1.0)]

    assert errors[0] < 1e-5
    assert errors[2] < errors[1] < errors[0]


def test_24_full_groups_end_at_100_8_volts():  # common practice: 24 x 4.20 V
    t = simulate(Pack.even(24, soc=0.9), DutyCycle().charge(hours=4))

    assert t.volts_v[-1].sum() == pytest.approx(100.8, abs=1e-6)
    assert t.light_s


def test_current_in_the_constant_voltage_part_holds_the_pack_exactly():
    t = simulate(Pack.random(np.random.default_rng(3), soc=0.9), DutyCycle().charge(hours=3))
    held = t.volts_v[(t.mode == 2) & (t.current_a > 0)].sum(axis=1)

    np.testing.assert_allclose(held, 100.8, atol=1e-6)


def test_a_pack_with_one_dead_group_rests_one_group_low():
    # 96.6 V is the resting value after bleed-down; a 100.8 V charger would drive the other 23 to the 4.25 V cut
    # (97.75 V), and a protection board that sees 0 V normally refuses the charge.
    pack = replace(Pack.even(24, soc=1.0), alive=np.arange(24) != 19)
    rest = simulate(pack, DutyCycle().rest(minutes=10))
    charged = simulate(replace(pack, soc0=pack.soc0 - 0.05), DutyCycle().charge(hours=3))

    assert rest.volts_v[-1].sum() == pytest.approx(100.8 - 4.2, abs=1e-6)
    assert charged.phases[0].ended == "ceiling" or charged.phases[1].ended == "ceiling"
    assert charged.volts_v.sum(axis=1).max() == pytest.approx(23 * 4.25, abs=0.02)


def test_50_ma_on_20_ah_closes_one_percent_in_four_hours_while_high_groups_bleed_and_the_low_one_does_not():
    # Andrea 2010: gross imbalance time = charge difference / bleed current: 0.2 Ah / 50 mA = 4 h.
    pack = low_group(Pack.even(24, capacity_ah=20.0, soc=0.97), 7, 0.03)
    t = simulate(pack, DutyCycle().charge(hours=6))
    gap_ah = (t.soc[:, 0] - t.soc[:, 7]) * 20.0
    on = t.bleeding[:, 0] & ~t.bleeding[:, 7]
    first, last = np.flatnonzero(on)[[0, -1]]
    hours = (t.time_s[last] - t.time_s[first]) / 3600.0

    one_percent_h = 0.2 / ((gap_ah[first] - gap_ah[last]) / hours)

    assert on[first : last + 1].mean() > 0.999
    assert one_percent_h == pytest.approx(4.0, rel=0.02)


@pytest.mark.slow
def test_a_threshold_alone_freezes_the_gap_because_all_groups_bleed():
    pack = low_group(Pack.even(24, soc=0.97), 7, 0.01)
    frozen = simulate(replace(pack, balancer=Balancer(rule="threshold")), DutyCycle().charge(hours=8))
    closing = simulate(pack, DutyCycle().charge(hours=8))

    assert continue_until_balanced(frozen) is None
    assert continue_until_balanced(closing) is not None
    assert frozen.spread_v[-1] > 0.011


def test_one_high_group_ends_the_charge_early_at_its_ceiling():
    pack = low_group(Pack.even(24, soc=0.6, r0_ohm=0.004), 3, -0.05)
    t = simulate(pack, DutyCycle().charge(hours=5))

    assert t.phases[0].ended == "ceiling"
    assert t.volts_v.max() == pytest.approx(4.25, abs=0.002)
    assert int(t.volts_v.max(axis=0).argmax()) == 3
    assert t.current_a[-1] == 0.0


def test_the_low_group_of_a_full_sum_hardly_lifts_the_others():
    # one group 180 mV short lifts 23 others by 180 / 23 = 7.8 mV: the light comes on all the same
    t = simulate(low_group(Pack.even(24, soc=0.9), 5, 0.17), DutyCycle().charge(hours=4))
    others = np.median(t.volts_v[-1])

    assert t.light_s
    assert others - 4.2 == pytest.approx((4.2 - t.volts_v[-1, 5]) / 23, rel=0.05)


def test_vehicle_cutoff_sees_only_the_pack_and_protection_sees_the_group():
    weak = low_group(Pack.even(16, soc=0.4), 2, 0.3)
    plan = DutyCycle().ride(minutes=120, seed=2)

    assert simulate(weak, plan).phases[0].ended == "group_floor"
    unprotected = replace(weak, protection=Protection(floor_v=-2.0, vehicle_cutoff_v=2.7))
    assert simulate(unprotected, plan).phases[0].ended == "pack_cutoff"
    assert simulate(unprotected, plan).volts_v.min() < 0.0  # driven into reversal


def test_a_charger_that_switches_off_at_its_light_never_balances():
    pack = low_group(Pack.even(24, soc=0.9), 7, 0.03)
    t = simulate(replace(pack, charger=ChargerModel(off_at_light=True)), DutyCycle().charge(hours=4))

    assert t.phases[-1].kind == "held"
    assert continue_until_balanced(t) is None


def test_stop_at_percent_ends_before_the_constant_voltage_part():
    t = simulate(Pack.even(16, soc=0.5), DutyCycle().charge(hours=5, until_soc=0.8))

    assert t.phases[-1].ended == "until_soc"
    assert t.soc[-1].mean() == pytest.approx(0.8, abs=1e-3)
    assert not t.bleeding.any()


def test_dead_and_stuck_bleeders_do_as_they_are():
    pack = low_group(Pack.even(12, soc=0.97), 7, 0.03)
    pack = replace(pack, balancer=replace(pack.balancer, dead=(1,), stuck=(5,)))
    t = simulate(pack, DutyCycle().rest(minutes=30).charge(hours=2))

    assert not t.bleeding[:, 0].any()
    assert t.bleeding[5:, 4].all()


def test_odd_and_even_halves_take_turns():
    pack = low_group(Pack.even(12, soc=0.97), 7, 0.03)
    t = simulate(replace(pack, balancer=replace(pack.balancer, rule="odd_even")), DutyCycle().charge(hours=2))

    assert not (t.bleeding[:, 0] & t.bleeding[:, 1]).any()
    assert t.bleeding[:, 0].any()
    assert t.bleeding[:, 1].any()


def test_slow_resistance_is_about_twice_the_quick_one():
    # published pulses give R(30 s) / R(1 s) of 1.6 to 2.3
    current = np.r_[0.0, 0.0, np.full(400, -10.0)]
    t = simulate(Pack.even(2, soc=0.5), DutyCycle().load(current, step_s=0.1))
    drop = t.volts_v[1, 0] - t.volts_v[:, 0]
    at_1_s, at_30_s = drop[12], drop[302]

    assert 1.5 < at_30_s / at_1_s < 2.3


def test_resistance_rises_at_low_charge_and_doubles_at_freezing():
    def sag(soc: float, ambient_c: float) -> float:
        t = simulate(Pack.even(2, soc=soc), DutyCycle().at(ambient_c).load([0.0, 0.0, -10.0, -10.0], step_s=0.1))
        return float(t.volts_v[1, 0] - t.volts_v[2, 0])

    assert sag(0.05, 25) > 1.3 * sag(0.5, 25)
    assert sag(0.5, 0) == pytest.approx(2.0 * sag(0.5, 25), rel=0.02)


def test_a_leak_doubles_with_ten_kelvin():
    pack = replace(Pack.even(2, soc=0.6), leak_a=np.array([0.0, 0.01]))

    def lost(ambient_c: float) -> float:
        t = simulate(pack, DutyCycle().at(ambient_c).store(days=5))
        return float(t.soc[-1, 0] - t.soc[-1, 1])

    assert lost(25) == pytest.approx(0.01 * 120 / 20, rel=1e-5)
    assert lost(35) == pytest.approx(2 * lost(25), rel=1e-5)


@pytest.mark.slow
def test_going_on_gives_the_same_time_to_balanced_as_a_longer_charge():
    pack = low_group(Pack.random(np.random.default_rng(5), soc=0.95, scatter=Scatter(sense_v=0.0)), 7, 0.02)
    short = simulate(pack, DutyCycle().charge(hours=3))
    long = simulate(pack, DutyCycle().charge(hours=30), step_s=5.0)
    left_s = continue_until_balanced(short)
    under = long.spread_v <= 0.010
    since = long.time_s[np.flatnonzero(~under)[-1] + 1]

    assert left_s is not None
    assert left_s + 3 * 3600 == pytest.approx(since, rel=0.02)


def test_a_board_that_releases_lets_the_charger_cycle():
    pack = low_group(Pack.even(24, soc=0.9, r0_ohm=0.004), 3, -0.05)
    pack = replace(pack, protection=replace(pack.protection, release_v=4.22))
    t = simulate(pack, DutyCycle().charge(hours=3))
    starts = [p for p in t.phases if p.kind == "charge_cc"]

    assert len(starts) >= 2
    assert t.volts_v.max() == pytest.approx(4.25, abs=0.002)


def test_entropy_moves_the_voltage_at_rest_with_temperature():
    pack = replace(Pack.even(3, soc=0.6), entropic_v_per_k=0.0003, temp_offset_k=np.array([0.0, 2.0, 4.0]))
    t = simulate(pack, DutyCycle().at(35.0).rest(minutes=5))

    assert t.volts_v[-1] - pack.curve.voltage_v(0.6) == pytest.approx([0.003, 0.0036, 0.0042], abs=1e-5)


def test_coarse_storage_does_not_draw_the_end_of_a_charge_out():
    t = simulate(Pack.even(4, soc=0.5), DutyCycle().charge(hours=1).store(days=1))
    end_of_charge = t.soc[np.searchsorted(t.time_s, 3600.0), 0]

    assert t.soc[-1, 0] - end_of_charge < 1e-4


def test_a_charge_may_be_left_on_for_a_while_after_its_light():
    t = simulate(Pack.even(4, soc=0.9), DutyCycle().charge(hours=20, leave_hours=1.0))

    assert t.phases[-1].ended == "unplugged"
    assert t.time_s[-1] - t.light_s[0] == pytest.approx(3600.0, abs=70.0)


def test_capacity_and_resistance_scatter_are_not_independent():
    # less electrode area: less capacity and more resistance
    pack = Pack.random(np.random.default_rng(1), groups=40, scatter=Scatter(capacity=0.05, resistance=0.0))

    assert np.corrcoef(pack.capacity_ah, pack.r0_ohm)[0, 1] < -0.99


def bleeding_of(balancer: Balancer) -> tuple[np.ndarray, np.ndarray]:
    """(n, g) who bleeds in a charge's constant-voltage part, and in the rest after it."""
    pack = low_group(Pack.even(8, soc=0.9), 2, 0.03)
    t = simulate(replace(pack, balancer=balancer), DutyCycle().charge(hours=2.5).rest(minutes=10), step_s=2.0)
    held = next(p for p in t.phases if p.kind == "charge_cv")
    after = t.phases[-1]
    return t.bleeding[(t.time_s > held.start_s + 60) & (t.time_s <= held.end_s)], t.bleeding[
        t.time_s > after.start_s + 60
    ]


def test_a_board_that_bleeds_only_at_rest_leaves_the_charge_alone():
    charging, resting = bleeding_of(Balancer(threshold_v=4.10, at_rest=True, while_charging=False))

    assert not charging.any()
    assert resting.any()


def test_a_board_that_minds_its_heat_bleeds_no_more_than_its_few():
    charging, resting = bleeding_of(Balancer(threshold_v=4.10, most=3))

    assert charging.sum(axis=1).max() == 3
    assert not resting.any()
