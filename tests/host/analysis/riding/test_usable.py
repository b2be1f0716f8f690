"""What mending would give back, room for braking, energy, temperatures; nothing is left open without a reason."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from evenstring.analysis.causes.evidence.estimates import Evidence, gather
from evenstring.analysis.phases.segment import find_phases
from evenstring.analysis.results import Repair
from evenstring.analysis.riding.level_charge import bench_hours
from evenstring.analysis.riding.regen_room import find_room
from evenstring.analysis.riding.usable import find_usable
from evenstring.analysis.run import analyse
from evenstring.ocv import curve, mean_voltage_v
from evenstring.profile import PackProfile
from evenstring.report.material import gather_material
from evenstring.report.reasons import sentence
from evenstring.report.report_json import report_json
from evenstring.session import Session
from evenstring.sim import DutyCycle, MeterModel, Pack, measure, simulate
from scipy.integrate import quad

from tests.worlds.fault_sessions import Case, make_case

pytestmark = pytest.mark.usefixtures("no_forecast")


@cache
def made(cause: str, number: int = 11, kind: str = "ride and charge") -> Case:
    return make_case(number, kind, cause, 2.0)


def evidence(charge: np.ndarray, capacity: np.ndarray, u: float = 0.01) -> Evidence:
    size = np.column_stack([np.zeros_like(charge), charge, capacity, np.zeros_like(charge)])
    covariance = np.repeat(np.diag([u**2] * 4)[None], len(charge), axis=0)
    return Evidence(size, covariance, np.full(len(charge), np.nan), 0.5, True, 0.5)


def test_usable_charge_by_hand():
    """Ten groups, one 4 % low in charge, another 6 % small, seen at half full: worked out by hand.

    Full first are the even groups (0.5 to go) unless the small one is: 0.5 x 0.94 = 0.47. Empty first is the low one,
    0.46. Now 0.93; balanced 0.94; the small one replaced 1.00.
    """
    charge, capacity = np.zeros(10), np.zeros(10)
    charge[3], capacity[6] = -4.0, -6.0

    usable, unknown = find_usable(evidence(charge, capacity), PackProfile(groups=10), with_ah=True)

    assert unknown is None
    assert (usable.full_first, usable.empty_first, usable.smallest) == (7, 4, 7)
    assert usable.now.best == pytest.approx(0.93, abs=0.002)
    assert usable.balanced.best == pytest.approx(0.94, abs=0.002)
    assert usable.gain_by_balancing.best == pytest.approx(0.01, abs=0.002)
    assert usable.gain_by_replacing.best == pytest.approx(0.06, abs=0.002)
    assert usable.ah == 20.0


@pytest.mark.parametrize("number", [11, 12, 13, 14])
def test_usable_charge_agrees_with_the_simulators_own_cells(number):
    case = made("low_capacity", number)
    charge, size = case.pack.soc0, case.pack.capacity_ah / np.median(case.pack.capacity_ah)
    true = float(((1.0 - charge) * size).min() + (charge * size).min())

    usable, _ = find_usable(gather(case.session, case.profile), case.profile, with_ah=True)

    assert usable.now.best == pytest.approx(true, abs=0.035)
    assert usable.balanced.best == pytest.approx(float(size.min()), abs=0.035)
    assert usable.balanced.low - 0.01 <= size.min() <= usable.balanced.high + 0.01
    assert usable.smallest == case.group


@pytest.mark.parametrize("seed", range(5))
def test_mending_takes_nothing_away_and_the_gains_are_the_differences(seed):
    rng = np.random.default_rng(seed)
    usable, _ = find_usable(
        evidence(rng.normal(0, 0.5, 20), rng.normal(0, 0.8, 20), u=0.6), PackProfile(groups=20), with_ah=True
    )

    assert usable.now.best <= usable.balanced.best <= usable.replaced.best
    assert usable.gain_by_balancing.best == pytest.approx(usable.balanced.best - usable.now.best, abs=2e-4)
    assert usable.gain_by_replacing.best == pytest.approx(usable.replaced.best - usable.balanced.best, abs=2e-4)
    for e in (usable.now, usable.balanced, usable.replaced, usable.gain_by_balancing, usable.gain_by_replacing):
        assert e.low <= e.best <= e.high


def test_capacities_that_are_hardly_known_give_no_usable_charge_but_a_reason():
    usable, unknown = find_usable(evidence(np.zeros(8), np.zeros(8), u=5.0), PackProfile(groups=8), with_ah=True)

    assert usable is None
    assert unknown.record_next


def test_hours_at_a_bench_are_charge_over_current_and_only_for_clear_gaps():
    repair = (Repair(1, 0.5, 0.3, 0.7, None), Repair(2, -0.1, -0.3, 0.1, None))

    assert bench_hours(repair, replace(PackProfile(groups=2), repair_a=0.25)).hours == ((1, 2.0),)


def test_room_for_braking_agrees_with_the_simulators_own_cells():
    """The strongest five seconds of braking, held for a minute, on each group's own curve and resistance."""
    case = made("charge_offset", 12)
    phases = find_phases(case.session, case.profile)
    # A ceiling near: with the usual one this ride's braking fits even when full.
    profile = replace(case.profile, full_v=4.10, ceiling_v=4.12, threshold_v=4.08)

    room, unknown = find_room(case.session, profile, phases, gather(case.session, case.profile))

    assert unknown is None
    z = np.linspace(0.5, 1.0, 2001)
    pack, limits = case.pack, []
    grow = 1.0 + pack.r1_share * -np.expm1(-60.0 / pack.tau1_s) + pack.r2_share * -np.expm1(-60.0 / pack.tau2_s)
    assert room.load_s == 60.0
    for k in range(pack.groups):
        own = pack.soc0[k] + (z - np.median(pack.soc0)) * np.median(pack.capacity_ah) / pack.capacity_ah[k]
        above = pack.curve.voltage_v(own) + room.regen_current_a * pack.r0_ohm[k] * grow > profile.ceiling_v
        limits.append(z[above.argmax()] if above.any() else 1.0)
    assert room.highest_soc == pytest.approx(min(limits), abs=0.04)
    assert room.soc_low <= room.highest_soc <= room.soc_high


def test_mean_voltage_agrees_with_scipys_integral_of_the_curve():
    of = curve("lg_m50_nmc")

    # A tolerance that a curve made of straight pieces can meet.
    integral, _ = quad(lambda s: float(of.voltage_v(s)), 0.0, 1.0, limit=500, epsabs=1e-4)
    assert mean_voltage_v(of) == pytest.approx(integral, abs=1e-3)


def charged_at(celsius: float) -> Session:
    rng = np.random.default_rng(6)
    pack = Pack.random(rng, groups=8, soc=0.5)
    plan = DutyCycle().at(celsius).rest(minutes=10).charge(hours=0.5)
    return measure(simulate(pack, plan, step_s=2.0), MeterModel.random(rng, 8), rng, quiet_s=2.0)


@pytest.mark.parametrize(
    ("celsius", "kind", "action"),
    [(-8.0, "charged_cold", "inspect"), (52.0, "charged_hot", "too_little_data"), (20.0, "", "too_little_data")],
)
def test_charging_in_the_cold_asks_for_an_inspection_and_heat_is_said(celsius, kind, action):
    """Common practice: no charge below 0 degC, none above 45 degC. Without a ride there is no word on riding."""
    found = analyse(charged_at(celsius), PackProfile(groups=8))

    assert {e.kind for e in found.temperature} == ({kind} if kind else set())
    assert found.verdict.action == action
    assert bool([r for r in found.verdict.reasons if "°C" in sentence(r)]) == bool(kind)


_MAY_BE_NULL = {"shared_leads"}  # null: not seen, which is an answer


def nulls(report: dict[str, Any]) -> list[str]:
    """Keys of the report that are null, one level into the findings whose figures are asked for."""
    out = [k for k, v in report.items() if v is None and k not in _MAY_BE_NULL]
    out += [f"spread.{k}" for k in ("rest_mv",) if report["spread"][k] is None]
    return out + [f"balancing.{k}" for k in ("remaining_s",) if report["balancing"][k] is None]


@pytest.mark.parametrize("what", ["ride", "charge", "single rest", "ride and charge", "blind", "bare", "empty"])
def test_everything_that_is_not_known_says_why_and_what_to_record(what):
    kind = what if what in ("ride", "charge", "single rest") else "ride and charge"
    case = made("healthy", 11, kind)
    session, profile = case.session, case.profile
    if what in ("blind", "bare"):
        session = replace(session, current_a=None, current_out_a=None, current_back_a=None)
    if what == "bare":
        session = replace(session, temps_c=None)
    if what == "empty":
        session = replace(session, time_s=session.time_s[:0], volts_v=session.volts_v[:0], quality=session.quality[:0],
                          span_s=session.span_s[:0], out_back_v=None, current_a=None, current_out_a=None,
                          current_back_a=None, temps_c=None)  # fmt: skip

    report = report_json(gather_material(session, profile))

    unknown = report["unknown"]
    for key in nulls(report):
        assert key in unknown or key.split(".")[0] in unknown, f"{key} is null without a reason"
    for key, entry in unknown.items():
        assert entry["why"], key
        assert entry["record_next"], f"{key}: {entry['why']}: what to do is not said"
