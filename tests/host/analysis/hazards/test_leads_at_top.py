"""A group that is first to the steep end of iron phosphate's curve, on charges made by hand.

What each group holds rises by the current alone, and its voltage climbs 0.1 V a percent of charge once it is nearly
full: by hand a lead of 1.5 % is 162 s at a third of the capacity an hour.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from evenstring.analysis.hazards.leads_at_top import find_leads_at_top
from evenstring.analysis.results import Phase
from evenstring.analysis.series.signals import Signals, make_signals
from evenstring.profile import PackProfile
from evenstring.session import Session

GROUPS, AH, AMPS, STEP_S = 10, 18.0, 6.0, 2.0
PACK = PackProfile(groups=GROUPS, chemistry="lfp", capacity_ah=AH, threshold_v=3.45)
PER_S = 100.0 * AMPS / AH / 3600.0  # percent of charge


def charged(lead: float, *, extra_v: float = 0.0, sensor: bool = True) -> tuple[Signals, tuple[Phase, ...]]:
    """An hour to a ceiling of 3.65 V, then rest: group 4 leads by so many percent; `extra_v`: what it reads above."""
    t = np.arange(0.0, 5400.0, STEP_S)
    ahead = np.linspace(-0.2, 0.0, GROUPS)
    ahead[3] = lead
    # The first to hold 2.5 % beyond the foot of the climb ends the charge, at an hour.
    beyond = 2.5 - PER_S * np.maximum(3600.0 - t, 0.0)[:, None] + ahead - ahead.max()
    volts = np.where(t[:, None] < 3600.0, 3.38 + 0.0004 * beyond + 0.1 * np.maximum(beyond, 0.0), 3.33)
    volts[:, 3] += np.where(t < 3600.0, extra_v, 0.0)
    volts += np.random.default_rng(6).normal(0.0, 3e-4, volts.shape)
    n = len(t)
    session = Session(t, volts.astype(np.float32), np.zeros(volts.shape, np.uint8), np.zeros(n, np.float32))
    if sensor:
        session = replace(session, current_a=np.where(t < 3600.0, AMPS, 0.0).astype(np.float32))
    return make_signals(session), (Phase("charge_cc", 0.0, 3600.0), Phase("rest", 3600.0, float(t[-1])))


@pytest.mark.parametrize("lead", [1.0, 1.5, 2.2])
def test_its_lead_is_the_charge_since_it_stood_where_the_next_one_stands(lead: float) -> None:
    signals, phases = charged(lead)
    (found,) = find_leads_at_top(signals, PACK, phases)

    assert (found.kind, found.group) == ("alone_above", 4)
    assert found.size == pytest.approx(lead, abs=0.05)
    assert found.size_low < lead < found.size_high
    assert found.seen_mv == pytest.approx(100.0 * lead, abs=3.0)


def test_without_a_sensor_the_chargers_label_tells_how_fast_it_went() -> None:
    signals, phases = charged(1.5, sensor=False)

    assert find_leads_at_top(signals, PACK, phases) == ()
    (found,) = find_leads_at_top(signals, replace(PACK, charger_current_a=AMPS), phases)
    assert found.size == pytest.approx(1.5, abs=0.05)


@pytest.mark.parametrize(
    ("lead", "extra_v", "pack"),
    [
        (0.3, 0.0, PACK),
        (0.3, 0.15, PACK),
        (1.5, 0.0, replace(PACK, chemistry="nmc")),
        (1.5, 0.0, replace(PACK, bleed_ma=0.0)),
        (1.5, 0.0, replace(PACK, threshold_v=3.66)),
    ],
    ids=["hardly leads", "a joint reads high all along", "a steep curve", "no balancer", "below its threshold"],
)
def test_a_group_that_nothing_should_have_bled_does_not_lead(lead: float, extra_v: float, pack: PackProfile) -> None:
    signals, phases = charged(lead, extra_v=extra_v)

    assert find_leads_at_top(signals, pack, phases) == ()


def test_a_charge_whose_voltage_was_held_is_left_to_that() -> None:
    signals, phases = charged(1.5)
    held = (phases[0], Phase("charge_cv", 3600.0, 3601.0), phases[1])

    assert find_leads_at_top(signals, PACK, held) == ()
