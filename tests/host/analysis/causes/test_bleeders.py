"""Bleeders that never conduct or never stop, told apart from cells that leak or hold another charge."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from evenstring.analysis.causes import bleeders
from evenstring.analysis.causes.bleeders import find_balancer_faults, without_consequences
from evenstring.analysis.causes.diagnosis import diagnose
from evenstring.analysis.phases.segment import find_phases
from evenstring.analysis.results import Findings, Phase, Spread, Verdict, Weakness
from evenstring.analysis.series.signals import make_signals
from evenstring.analysis.series.uncertainty import meter_error
from evenstring.analysis.verdict.decision import decide
from evenstring.profile import PackProfile
from evenstring.report.reasons import sentence
from evenstring.session import Session
from evenstring.sim import DutyCycle, MeterModel, Pack, measure, simulate

pytestmark = pytest.mark.slow  # processes, ports or long sessions: not in the quick lane

GROUPS = 20
PROFILE = PackProfile(groups=GROUPS)


@cache
def charged(seed: int, *, dead: tuple[int, ...] = (), stuck: tuple[int, ...] = (), rule: str = "above_lowest",
            threshold_v: float = 4.18, leak_ma: float = 0.0, held_h: float = 3.0) -> tuple[Weakness, ...]:  # fmt: skip
    """A rest, then a charge with some hours at constant voltage; four groups are high. Invented."""
    rng = np.random.default_rng(seed)
    pack = Pack.random(rng, groups=GROUPS, soc=0.55)
    soc, leak = pack.soc0.copy(), pack.leak_a.copy()
    soc[[3, 7, 11, 15]] += (0.015, 0.019, 0.023, 0.027)
    leak[4] += leak_ma / 1e3
    balancer = replace(pack.balancer, dead=dead, stuck=stuck, rule=rule, threshold_v=threshold_v)
    pack = replace(pack, soc0=soc, leak_a=leak, balancer=balancer)
    trajectory = simulate(pack, DutyCycle().rest(minutes=80).charge(hours=2.2 + held_h), step_s=2.0)
    session = measure(trajectory, MeterModel.random(rng, GROUPS), rng, quiet_s=2.0)
    phases = find_phases(session, PROFILE)
    found = find_balancer_faults(make_signals(session), PROFILE, phases, meter_error(session))
    return without_consequences(diagnose(session, PROFILE, phases).weakness, found)


def faults(found: tuple[Weakness, ...]) -> list[tuple[int, str]]:
    return [(w.group, w.detail) for w in found if w.cause == "balancer_fault"]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_bleeder_that_never_conducts_is_found_and_the_cell_is_not_accused(seed):
    found = charged(seed, dead=(8,))

    assert [g for g, _ in faults(found)] == [8]
    assert "dead" in faults(found)[0][1]
    assert not [w for w in found if w.group == 8 and w.cause == "charge_offset"]


@pytest.mark.parametrize("dead", [(8,), ()])
def test_an_hour_at_constant_voltage_may_show_a_dead_bleeder_and_accuses_no_other(dead: tuple[int, ...]) -> None:
    """Once 80 minutes were asked for."""
    assert [g for g, _ in faults(charged(1, dead=dead, held_h=1.05))] == list(dead)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_bleeder_that_never_stops_is_found_with_the_current_it_draws(seed):
    """The simulator's bleeders draw 50 mA."""
    found = charged(seed, stuck=(5,))

    fault = next(w for w in found if w.cause == "balancer_fault")
    assert fault.group == 5
    assert fault.size_low < 50.0 < fault.size_high
    assert "stuck on" in fault.detail
    nothing = Findings((), Spread(*(None,) * 7, 0, 0, ()), (), None, Verdict("ride", ()), weakness=found)
    verdict = decide(nothing, PackProfile(groups=12))
    assert verdict.action == "inspect"
    assert any("Group 5 is drained" in sentence(r) and "bleeder" in sentence(r) for r in verdict.reasons)


@pytest.mark.parametrize(("seed", "rule", "threshold_v"), [
    (1, "above_lowest", 4.18), (2, "above_lowest", 4.18), (1, "threshold", 4.19), (2, "threshold", 4.19),
    (3, "threshold", 4.19), (1, "odd_even", 4.18), (2, "odd_even", 4.18),
])  # fmt: skip
def test_a_balancer_in_order_is_not_blamed_whatever_its_rule(seed, rule, threshold_v):
    assert faults(charged(seed, rule=rule, threshold_v=threshold_v)) == []


def test_a_leaking_cell_is_not_taken_for_a_stuck_bleeder():
    """5 mA are 4.2 % a week of 20 Ah: a bad leak, and a tenth of a bleeder."""
    assert faults(charged(1, leak_ma=5.0)) == []


def held(rate_mv_h: np.ndarray, begin_mv: np.ndarray, jump_mv: np.ndarray | None = None) -> tuple[Weakness, ...]:
    """What is said of an hour and a half at constant voltage in which each group moves at a rate of its own.

    `jump_mv`: (g,) by which groups step up in the middle of what is looked at.
    """
    t = np.arange(0.0, 5400.0, 2.0)
    apart = begin_mv + rate_mv_h * t[:, None] / 3600.0
    apart += 0.0 if jump_mv is None else np.where(t[:, None] > 3300.0, jump_mv, 0.0)
    volts = 4.19 + apart / 1e3 + np.random.default_rng(1).normal(0.0, 5e-4, apart.shape)
    session = Session(t, volts.astype(np.float32), np.zeros(volts.shape, np.uint8), np.zeros(len(t), np.float32))
    signals = make_signals(session)
    phases = (Phase("charge_cv", 0.0, float(t[-1])),)
    profile = PackProfile(groups=len(rate_mv_h), capacity_ah=30.0)
    return find_balancer_faults(signals, profile, phases, meter_error(session))


def test_rates_that_scatter_without_two_classes_accuse_nobody_and_two_classes_do() -> None:
    """Of a published cell whose groups relaxed each at its own rate: one above others that fell was called dead."""
    begin = np.linspace(20.0, -20.0, 16)
    bled = np.where(np.arange(16) < 8, -2.6, 0.0)
    bled[2] = 0.0
    even = np.linspace(1.3, -1.3, 16)[np.random.default_rng(3).permutation(16)]
    even[2] = 1.3

    assert [w.group for w in held(bled, begin)] == [3]
    assert held(even, begin) == ()


def test_departures_that_all_grow_alike_are_a_slope_that_grows_and_no_stuck_bleeder() -> None:
    """Of a published cell after a short charge: its lowest group fell from 9 to 28 mV below the mean."""
    begin = np.array([16.0, 12.0, 8.0, 3.0, -3.0, -8.0, -12.0, -20.0])

    assert held(0.8 * begin, begin) == ()
    stuck = np.where(np.arange(8) == 7, -3.5, 0.5)
    assert [w.group for w in held(stuck, begin)] == [8]


def test_no_bleeder_is_stuck_in_an_order_that_the_board_mixes_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a published cell: half of the groups bled by turns, and the lowest of them only reads too low."""
    end = np.array([8.8, 8.3, 4.6, 2.4, 2.3, 1.6, 1.4, 0.3, -2.0, -2.4, -2.9, -4.8, -12.2, -13.4])
    falls = np.array([1, 1, 1, 0, 1, 0, 1, 0, 1, 1, 1, 0, 1, 0]) * -2.6
    begin = end - 1.5 * falls

    assert held(falls, begin) == ()
    monkeypatch.setattr(bleeders, "_mixed_v", lambda *_: 0.0)
    assert [w.group for w in held(falls, begin)] == [13]


def test_a_group_that_bleeds_in_each_half_and_stood_higher_in_the_second_has_no_dead_bleeder(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Of a published cell: the second highest fell as the others did, and jumped up between."""
    begin = np.array([20.0, 19.0, 18.0, 14.0, 13.0, 12.0, 11.0, 10.0, -60.0, -61.0, -62.0, -63.0])
    rate = np.where(begin > 0.0, -2.6, 0.0)

    jump = np.where(np.arange(12) == 1, 2.0, 0.0)

    assert held(rate, begin, jump) == ()
    monkeypatch.setattr(bleeders, "_as_in_each_half", lambda *_: True)
    assert [w.group for w in held(rate, begin, jump)] == [2]
