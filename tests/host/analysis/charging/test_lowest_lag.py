"""The charge by which the lowest group lags at the end of a charge of iron phosphate, on charges made by hand.

What each group holds rises by the current alone. It stands at 3.38 V until it is nearly full and climbs 0.1 V a percent
of charge from there: volts do not tell how far one is from the foot of that climb.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from evenstring.analysis.charging.lowest_lag import lowest_lag_percent
from evenstring.analysis.results import Phase
from evenstring.analysis.series.signals import Signals, make_signals
from evenstring.profile import PackProfile
from evenstring.session import Session

GROUPS, AH, AMPS, STEP_S = 10, 18.0, 6.0, 2.0
PACK = PackProfile(groups=GROUPS, chemistry="lfp", capacity_ah=AH)
PER_S = 100.0 * AMPS / AH / 3600.0  # percent of charge
CHARGE = (Phase("charge_cc", 0.0, 3600.0),)
ROWS = np.arange(round(3600.0 / STEP_S))


def charged(behind: float, *, reads_v: float = 0.0, sensor: bool = True) -> Signals:
    """An hour until the first is 2.5 % beyond the foot; group 4 lags by so many percent, reads lower by `reads_v`."""
    t = np.arange(0.0, 3601.0, STEP_S)
    ahead = np.linspace(-0.2, 0.0, GROUPS)
    ahead[3] = -behind
    beyond = 2.5 - PER_S * (3600.0 - t)[:, None] + ahead
    volts = 3.38 + 0.0004 * beyond + 0.1 * np.maximum(beyond, 0.0)
    volts[:, 3] -= reads_v
    volts += np.random.default_rng(8).normal(0.0, 3e-4, volts.shape)
    n = len(t)
    session = Session(t, volts.astype(np.float32), np.zeros(volts.shape, np.uint8), np.zeros(n, np.float32))
    return make_signals(replace(session, current_a=np.full(n, AMPS, np.float32)) if sensor else session)


@pytest.mark.parametrize("behind", [4.0, 9.0, 14.0])
def test_it_lags_by_what_flowed_since_the_next_lowest_left_or_by_more(behind: float) -> None:
    """By hand: the next, 2.3 % beyond the foot, was 8 mV above it 2.22 % ago."""
    assert lowest_lag_percent(charged(behind), PACK, CHARGE, ROWS) == pytest.approx(2.22, abs=0.03)


def test_on_the_climb_it_lags_by_what_volts_say_less_what_the_meter_may() -> None:
    """By hand: 1.3 % in all, of which 8 mV are 0.08 %."""
    assert lowest_lag_percent(charged(1.5), PACK, CHARGE, ROWS) == pytest.approx(1.22, abs=0.05)


@pytest.mark.parametrize("reads_v", [0.0, 0.005])
def test_one_that_is_level_with_the_next_does_not_lag(reads_v: float) -> None:
    assert lowest_lag_percent(charged(0.2, reads_v=reads_v), PACK, CHARGE, ROWS) == pytest.approx(0.0, abs=0.05)


def test_the_chargers_label_tells_it_until_a_voltage_is_held() -> None:
    blind, labelled = charged(9.0, sensor=False), replace(PACK, charger_current_a=AMPS)

    assert lowest_lag_percent(blind, PACK, CHARGE, ROWS) is None
    assert lowest_lag_percent(blind, labelled, CHARGE, ROWS) == pytest.approx(2.22, abs=0.03)
    held = (CHARGE[0], Phase("charge_cv", 3600.0, 3601.0))
    assert lowest_lag_percent(blind, labelled, held, ROWS) is None


def test_where_volts_tell_it_they_do() -> None:
    assert lowest_lag_percent(charged(9.0), replace(PACK, chemistry="nmc"), CHARGE, ROWS) is None
