"""Heat of an extra resistance, by the steps that it makes: the laws of Ohm and Joule, by hand."""

from __future__ import annotations

import numpy as np
import pytest
from evenstring.analysis.hazards import extra_heat
from evenstring.analysis.hazards.extra_heat import find_extra_heat
from evenstring.analysis.results import Phase
from evenstring.analysis.series.signals import Signals, make_signals

from tests.host.analysis.hazards.test_hazards import GROUPS, OHM, PACK, read


def ride(extra_ohm: float, *, sensor: bool = True) -> Signals:
    """An hour of load between 0 and 20 A, ten seconds each; group 5 has some more ohm."""
    amps = -np.repeat(np.random.default_rng(9).uniform(0.0, 20.0, 360), 10)
    ohm = np.full(GROUPS, OHM)
    ohm[4] += extra_ohm
    return make_signals(read(3.8 + amps[:, None] * ohm, 1.0, amps if sensor else None))


RIDE = (Phase("ride", 0.0, 3600.0),)


def test_the_heat_of_a_bad_joint_is_joules_law_at_the_rides_own_current() -> None:
    """Uniform between 0 and 20 A: 133 A2 in the mean (20^2 / 3); 0.024 ohm of joint make 3.2 W."""
    found = find_extra_heat(ride(0.024), PACK, RIDE)

    assert [(h.group, h.kind) for h in found] == [(5, "extra_heat")]
    assert found[0].size == pytest.approx(0.024 * 20.0**2 / 3.0, rel=0.05)
    assert found[0].size_low < 3.2 < found[0].size_high
    assert found[0].more_percent == pytest.approx(300.0, abs=10.0)


def on_and_off(up_v: float, down_v: float) -> Signals:
    """Ten minutes of rest, forty of 5 A in which the others move by 5 mV, and rest; group 3 jumps by so much."""
    t = np.arange(0.0, 3600.0, 5.0)
    on = (t >= 600.0) & (t < 3000.0)
    volts = np.repeat((3.8 + 0.005 * on)[:, None], GROUPS, axis=1)
    volts[:, 2] += np.where(on, up_v, 0.0) + np.where(t >= 3000.0, up_v - down_v, 0.0)
    return make_signals(read(volts, 5.0, 5.0 * on))


def test_one_that_moves_alone_with_the_charger_has_the_heat_of_its_own_ohms() -> None:
    """By hand: 0.3 V at 5 A are 60 mohm, which at half of 20 Ah an hour make 6 W; the others' steps are too small."""
    (found,) = find_extra_heat(on_and_off(0.3, 0.3), PACK, (Phase("charge_cc", 600.0, 3000.0),))

    assert (found.group, found.kind) == (3, "extra_heat")
    assert found.size == pytest.approx(6.0, rel=0.05)


@pytest.mark.parametrize(("up_v", "down_v"), [(0.0, 0.2), (0.03, 0.03), (0.06, 0.3)])
def test_what_comes_down_from_a_steep_top_makes_no_heat(up_v: float, down_v: float) -> None:
    assert find_extra_heat(on_and_off(up_v, down_v), PACK, (Phase("charge_cc", 600.0, 3000.0),)) == ()


def charged(up: float, down: float) -> Signals:
    """On and off as above, without a sensor: the others step by 60 and 80 mV, group 3 by so many times as much."""
    t = np.arange(0.0, 3600.0, 60.0)
    on = (t >= 600.0) & (t < 3000.0)
    after = t >= 3000.0
    volts = np.repeat((3.3 + 0.06 * on - 0.02 * after)[:, None], GROUPS, axis=1)
    volts[:, 2] += (up - 1.0) * 0.06 * (on | after) - (down - 1.0) * 0.08 * after
    return make_signals(read(volts, 60.0))


def test_a_spot_that_is_to_all_appearance_another_group_asks_for_a_look_at_any_current() -> None:
    """Of a published cell: half as much again as a group, without a sensor 1.0 W and no more, was "a weak group"."""
    (found,) = find_extra_heat(charged(2.5, 2.5), PACK, (Phase("charge_cc", 600.0, 3000.0),))

    assert (found.group, found.more_percent) == (3, pytest.approx(150.0, rel=0.1))
    assert found.size < 2.0
    assert find_extra_heat(charged(1.8, 1.8), PACK, ()) == ()


def test_resistance_steps_up_and_down_alike(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of iron phosphate: a group on its steep top comes down far when the charger goes, and had not gone up so."""
    top = charged(1.0, 4.0)

    assert find_extra_heat(top, PACK, ()) == ()
    monkeypatch.setattr(extra_heat, "_ways", lambda middle, _: [np.ones(len(middle), dtype=bool)])
    assert [h.group for h in find_extra_heat(top, PACK, ())] == [3]


@pytest.mark.parametrize("extra_ohm", [0.0, 0.001, 0.004])
def test_half_as_much_resistance_again_is_no_danger_of_heat(extra_ohm: float) -> None:
    assert find_extra_heat(ride(extra_ohm), PACK, RIDE) == ()


def test_without_a_sensor_a_joint_of_several_times_is_said_with_a_wide_interval() -> None:
    found = find_extra_heat(ride(0.024, sensor=False), PACK, RIDE)

    assert [h.group for h in found] == [5]
    assert found[0].size_high > 3.0 * max(found[0].size_low, 0.1)


def test_five_times_the_others_resistance_shows_in_the_two_steps_of_a_gentle_charge() -> None:
    """Four amperes come and go: 32 mV of the median group's 8 mohm, no more; group 5 has 32 mohm beside its own."""
    amps = np.where((np.arange(600) > 100) & (np.arange(600) < 500), 4.0, 0.0)
    ohm = np.full(GROUPS, OHM)
    ohm[4] += 0.032
    signals = make_signals(read(3.8 + amps[:, None] * ohm, 5.0, amps))

    found = find_extra_heat(signals, PACK, (Phase("charge_cc", 500.0, 2500.0),))

    assert [h.group for h in found] == [5]
    assert found[0].more_percent == pytest.approx(400.0, abs=40.0)


def test_a_charge_that_a_bad_joint_cuts_at_once_shows_it_in_two_small_steps() -> None:
    """Of a published cell: the others step by 10 and -13 mV, the group with twenty times their ohm by 260 and -350."""
    volts = np.full((600, GROUPS), 3.9)
    ohm = np.ones(GROUPS)
    ohm[4] = 20.0
    volts[300] += 0.0105 * ohm
    volts[301] += 0.0135 * ohm

    (found,) = find_extra_heat(make_signals(read(volts, 2.0)), PACK, ())

    assert (found.group, found.more_percent) == (5, pytest.approx(1900.0, rel=0.1))
    assert find_extra_heat(make_signals(read(volts[:300], 2.0)), PACK, ()) == ()


def test_a_step_that_falls_into_a_row_counts_whole() -> None:
    """Of a published cell: 9.0 and 10.7 mV of the others in two rows, 46 and 70 of the group with a bad joint."""
    volts = np.full((600, GROUPS), 3.9)
    ohm = np.ones(GROUPS)
    ohm[4] = 5.9
    volts[300] += 0.0090 * ohm
    volts[301:] += 0.0197 * ohm

    (found,) = find_extra_heat(make_signals(read(volts, 0.5)), PACK, ())

    assert (found.group, found.more_percent) == (5, pytest.approx(490.0, rel=0.1))


def test_a_curve_that_is_steep_as_the_charge_ends_is_no_heat() -> None:
    """Of a published iron phosphate cell, a row a minute: its first step as the others', its last three times it."""
    t = np.arange(0.0, 4.0 * 3600.0, 60.0)
    amps = np.where((t > 1800.0) & (t < 9000.0), 13.0, 0.0)
    volts = np.full((len(t), GROUPS), 3.30) + 0.004 * amps[:, None]
    volts[(t > 8880.0) & (t < 9000.0), 4] += 0.17

    assert find_extra_heat(make_signals(read(volts, 60.0, amps)), PACK, ()) == ()


def test_a_joint_of_tens_of_times_shows_where_the_others_hardly_move() -> None:
    """Of a published cell of 0.1 mohm a joint of 75 times it took a group down by 0.95 V, and nothing was said.

    By hand: loads that move the others by 2 to 8 mV, and that group fifty times as far. A lead that comes loose moves
    its group alone, with no step of the others.
    """
    rng = np.random.default_rng(3)
    sag_v = np.repeat(rng.uniform(0.002, 0.008, 60), 10)
    volts = np.full((len(sag_v), GROUPS), 4.1) - sag_v[:, None]
    joint, loose = volts.copy(), np.full_like(volts, 4.1)
    joint[:, 4] = 4.1 - 50.0 * sag_v
    loose[:, 4] = 4.1 - 50.0 * sag_v

    (found,) = find_extra_heat(make_signals(read(joint, 1.0)), PACK, ())

    assert (found.group, found.more_percent) == (5, pytest.approx(4900.0, rel=0.1))
    assert find_extra_heat(make_signals(read(loose, 1.0)), PACK, ()) == ()


def test_the_step_down_out_of_a_steep_top_hides_no_joint() -> None:
    """Of a published iron phosphate cell: 4.2 times the others' step where the charge begins, 2.1 where it ends.

    There the others stood at their steep top, so that a joint of 640 % was passed over.
    """
    t = np.arange(0.0, 3.0 * 3600.0, 10.0)
    amps = np.where((t > 1800.0) & (t < 9000.0), 10.0, 0.0)
    top_v = 0.15 * np.exp((np.minimum(t, 9000.0) - 9000.0) / 40.0) * (amps > 0.0)
    volts = (3.30 + 0.004 * amps + top_v)[:, None].repeat(GROUPS, axis=1)
    volts[:, 4] = 3.30 + 0.016 * amps

    (found,) = find_extra_heat(make_signals(read(volts, 10.0, amps)), PACK, ())

    assert (found.group, found.more_percent) == (5, pytest.approx(300.0, rel=0.1))
