"""Habits against figures by hand.

Andrea 2010: maintenance bleed = leakage difference / share of the time that bleeding runs.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from evenstring.ocv import curve
from evenstring.sim import DutyCycle, Pack, continue_until_balanced, simulate
from evenstring.sim.run.daily_habit import Fleet, Habit, live


def fleet_with_a_leak(leak_a: float, bleed_a: float = 0.05, gap: float = 0.0) -> Fleet:
    """Two packs of 12 groups, group 5 leaks and starts `gap` of SoC low."""
    shape = (2, 12)
    leak, soc = np.zeros(shape), np.full(shape, 0.9)
    leak[:, 4], soc[:, 4] = leak_a, 0.9 - gap
    return Fleet(curve("lg_m50_nmc"), np.full(shape, 20.0), soc, leak, bleed_a)


def test_fifty_charges_to_80_percent_leave_the_gap_that_the_leak_made():
    # by hand: 0.5 % of 20 Ah a week is 0.595 mA; 50 days x 24 h x 0.595 mA = 0.714 Ah
    years = live(fleet_with_a_leak(0.1 / 168), Habit(full_every=0, stop_soc=0.8), 50)

    np.testing.assert_allclose(years.gap_ah[-1], 50 * 24 * 0.1 / 168, rtol=1e-9)
    assert (np.diff(years.spread_v[:, 0]) > 0).mean() > 0.9
    assert years.bleed_h.sum() == 0


@pytest.mark.parametrize(("factor", "sign"), [(0.8, 1), (1.25, -1)])
def test_maintenance_bleed_is_the_leakage_difference_over_the_share_of_time(factor, sign):
    leak_a, hold_h = 0.005, 4.0
    needed_a = leak_a / (hold_h / 24.0)  # 30 mA
    fleet = fleet_with_a_leak(leak_a, bleed_a=factor * needed_a, gap=0.03)
    years = live(fleet, Habit(hold_h=hold_h), 10)
    per_day_ah = (years.gap_ah[-1, 0] - years.gap_ah[0, 0]) / 9

    assert (years.bleed_h == hold_h).all()
    assert np.sign(per_day_ah) == sign
    assert per_day_ah == pytest.approx(leak_a * 24 - factor * needed_a * hold_h, rel=0.01)


def test_every_tenth_charge_balances_worse_than_every_charge():
    fleet = Fleet.random(np.random.default_rng(2), 50, 24, curve("lg_m50_nmc"), leak_per_week=0.01)

    def spread(full_every: int) -> float:
        return float(live(fleet, Habit(full_every=full_every, hold_h=1.0), 60).spread_v[-1].mean())

    assert spread(10) > 1.5 * spread(1)


def test_coarse_steps_agree_with_the_fine_engine_over_one_charge():
    pack = Pack.even(12, capacity_ah=20.0, soc=0.9)
    soc = pack.soc0.copy()
    soc[4] -= 0.03
    pack = replace(pack, soc0=soc)
    fine = simulate(pack, DutyCycle().charge(hours=10))
    bled_h = fine.bleeding[:, 0].sum() / 3600.0
    fleet = Fleet(pack.curve, pack.capacity_ah[None], soc[None], pack.leak_a[None])
    coarse = live(fleet, Habit(ride_share=0.0, hold_h=bled_h, step_h=bled_h / 40), 1)
    fine_gap_ah = np.ptp((1 - fine.soc[-1]) * 20.0)

    assert bled_h > 4
    assert coarse.gap_ah[0, 0] == pytest.approx(fine_gap_ah, abs=0.02)
    assert continue_until_balanced(fine) is not None
