"""The pack's own curve, and which part of a recording is used."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from evenstring.analysis.causes.diagnosis import judge
from evenstring.analysis.causes.evidence import rows
from evenstring.analysis.causes.evidence.estimates import CAPACITY, RESISTANCE, _regress, gather
from evenstring.analysis.causes.evidence.pack_ocv import filtered
from evenstring.analysis.causes.evidence.rows import Rows, make_rows
from evenstring.ocv import curve
from evenstring.profile import PackProfile
from evenstring.session import Session
from evenstring.sim import DutyCycle, MeterModel, Pack, measure, simulate

GROUPS = 16
PROFILE = PackProfile(groups=GROUPS)
ONE_EVENING = DutyCycle().rest(minutes=10).ride(minutes=60, seed=5).rest(minutes=20).charge(hours=6, leave_hours=0.2)


def recorded(plan: DutyCycle, *, name: str = "lg_m50_nmc", soc: float = 0.93, fault_percent: float = 0.0) -> Session:
    rng = np.random.default_rng(12)
    pack = Pack.random(rng, groups=GROUPS, soc=soc, curve=curve(name))
    capacity = pack.capacity_ah.copy()
    capacity[4] *= 1.0 - fault_percent / 100.0
    meter = MeterModel.random(rng, GROUPS)
    return measure(simulate(replace(pack, capacity_ah=capacity), plan), meter, rng, scans_per_s=1.0, quiet_s=2.0)


def test_a_filtered_step_is_the_exponential_of_the_textbook():
    """1 - exp(-t / tau): step response of an RC pair (G. Plett, Battery Management Systems, Vol. I, 2015)."""
    t = np.arange(0.0, 2000.0, 0.5)

    found = filtered(t, np.where(t >= 100.0, 1.0, 0.0), (10.0, 100.0, 1000.0))

    after = np.maximum(t - 100.0, 0.0)
    for k, tau in enumerate((10.0, 100.0, 1000.0)):
        assert np.abs(found[:, k] - (1.0 - np.exp(-after / tau))).max() < 0.1  # within the 2 s of the filter at 10 s
        assert np.abs(found[t > 160, k] - (1.0 - np.exp(-after[t > 160] / tau))).max() < 0.01


def test_current_before_a_long_silence_is_not_thought_to_have_gone_on():
    t = np.concatenate([np.arange(0.0, 100.0), np.arange(5000.0, 5100.0)])

    found = filtered(t, np.where(t < 100.0, 10.0, 0.0), (1000.0,))

    assert found[100, 0] < 0.05 * found[99, 0]


@pytest.mark.parametrize("name", ["umich_nmc", "kokam_nmc"])
def test_the_slope_of_another_published_curve_is_followed_within_its_uncertainty(name):
    """True slope: the table of the paper that the curve is from (evenstring/ocv.py), not the profile's curve."""
    rows = make_rows(recorded(ONE_EVENING, name=name), PROFILE)

    true = curve(name).slope_v(0.93 + rows.moved)  # median of the scatter: within 0.2 % of SoC
    z = (rows.slope_v - true) / rows.slope_u_v
    assert np.sqrt(np.mean(z**2)) < 2.0
    assert np.sqrt(np.mean((rows.slope_v / true - 1.0) ** 2)) < 0.35


def test_a_ride_after_a_whole_charge_is_used_when_it_moved_more():
    plan = DutyCycle().rest(minutes=10).charge(hours=2, leave_hours=0.2).rest(minutes=10).ride(minutes=60, seed=5)

    found = judge(gather(recorded(plan, fault_percent=10.0), PROFILE))

    assert (found[0].group, found[0].cause) == (5, "low_capacity")
    assert found[0].confidence >= 0.8


@pytest.mark.slow
def test_a_store_of_weeks_does_not_blur_the_charge_that_follows():
    plan = DutyCycle().rest(minutes=60).store(days=60).rest(minutes=60).charge(hours=8)

    evidence = gather(recorded(plan, soc=0.55), PROFILE)

    assert evidence is not None
    assert evidence.depth > 0.2
    assert np.sqrt(np.median(evidence.covariance[:, 2, 2])) < 1.0  # per cent of capacity


@pytest.mark.parametrize(("less", "cause"), [(0.008, "cannot_tell"), (0.03, "charge_offset")])
def test_at_one_voltage_charge_is_said_only_beyond_what_a_meter_errs(less, cause):
    """Some 9 and 35 mV here: the one could be the meter's, the other is likely charge, and never sure."""
    rng = np.random.default_rng(3)
    pack = Pack.random(rng, groups=GROUPS, soc=0.6)
    soc = pack.soc0.copy()
    soc[6] -= less
    session = measure(
        simulate(replace(pack, soc0=soc), DutyCycle().rest(minutes=40)), MeterModel.random(rng, GROUPS), rng
    )

    found = judge(gather(session, PROFILE))

    assert [w.cause for w in found if w.group == 7] == [cause]
    assert all(w.cause == "cannot_tell" for w in found if w.group != 7)
    assert all(w.confidence < 0.8 for w in found if w.cause != "cannot_tell")


def rows_of_a_surface() -> Rows:
    """Discharged by steps and charged; the surface leads by 4 % (Crank 1975); group 3 holds 10 % less."""
    t = np.arange(0.0, 9000.0, 30.0)
    load = np.where(t < 4500.0, np.where(t % 900.0 < 600.0, -1.0, 0.0), 0.8)
    moved = np.cumsum(load) * 30.0 / 9000.0
    surface = moved + 0.04 * load
    slope = 0.9 + 0.3 * np.sin(6.0 * surface)
    rng = np.random.default_rng(2)
    departure = rng.normal(0.0, 1e-4, (len(t), 8))
    departure[:, 2] += slope * surface * (1.0 / (1.0 - 0.10) - 1.0)
    curve: Any = SimpleNamespace(slope_at=lambda at: 0.9 + 0.3 * np.sin(6.0 * at))
    flat = np.full_like(t, 0.02)
    return Rows(t, moved, surface, 0.05 * load, 0.0 * t, slope, flat, curve, departure, float(np.ptp(moved)))


def of_group_3(of: Rows) -> tuple[float, float]:
    """Capacity that is missing, and extra resistance, in percent."""
    found, _ = _regress(of, None)
    relative = float(found[2, CAPACITY] - np.median(found[:, CAPACITY]))
    return -relative / (1.0 - 0.01 * relative), float(found[2, RESISTANCE])  # fitted is 1 - 1 / capacity


def test_the_capacity_is_read_off_what_the_surface_does_and_no_resistance_is() -> None:
    made = rows_of_a_surface()

    missing, extra = of_group_3(made)

    assert missing == pytest.approx(10.0, abs=1.0)
    assert abs(extra) < 1.0
    assert of_group_3(replace(made, surface=made.moved))[1] > 5.0  # as if only the inside were fuller


@pytest.mark.parametrize(("soc", "way_up_alone"), [(0.45, 0.17), (0.6, 0.29)])
def test_where_a_charge_began_is_known_from_where_it_ended(
    soc: float, way_up_alone: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The simulator's own SoC, of cells of another published curve: the way up alone is read at a wrong place."""
    plan = DutyCycle().rest(minutes=10).charge(hours=8, leave_hours=0.2).rest(minutes=20)
    session = recorded(plan, name="umich_nmc", soc=soc)

    mended = make_rows(session, PROFILE)
    monkeypatch.setattr(rows, "_full", lambda *_: None)
    before = make_rows(session, PROFILE)

    assert mended is not None
    assert before is not None
    assert mended.curve.soc0 == pytest.approx(soc, abs=0.08)
    assert before.curve.soc0 == pytest.approx(way_up_alone, abs=0.03)
