"""Rows many seconds apart and no current: what is said of them is right, or said to be unknown. Worked out by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from evenstring.analysis.charging.charge_end import told_phases
from evenstring.analysis.phases.by_voltage import labels_from_voltage
from evenstring.analysis.results import Charge, Phase
from evenstring.analysis.series.signals import Signals, make_signals
from evenstring.profile import PackProfile
from evenstring.session import Session

STEP_S, GROUPS = 10.0, 16
PACK = PackProfile(groups=GROUPS)


def signals(level_v: np.ndarray) -> Signals:
    """Of (m,) one level for all groups, or (m, groups)."""
    noise = np.random.default_rng(3).normal(0.0, 2e-4, (len(level_v), GROUPS))
    volts = (level_v.reshape(len(level_v), -1) + noise).astype(np.float32)
    n = len(level_v)
    return make_signals(Session(np.arange(n) * STEP_S, volts, np.zeros(volts.shape, np.uint8), np.zeros(n, np.float32)))


def test_a_chargers_step_after_a_rest_is_a_charge_and_no_ride() -> None:
    """Half an hour of rest, then a step of 60 mV that settles over a minute, and 40 minutes of rise by 0.16 V."""
    rest = np.full(180, 3.60)
    t = np.arange(240) * STEP_S
    charge = 3.60 + 0.060 - 0.030 * np.exp(-t / 20.0) + 0.16 * t / 2400.0

    labels = labels_from_voltage(signals(np.concatenate([rest, charge])))

    assert "ride" not in set(labels)
    assert np.mean(labels[:180] == "rest") > 0.97
    assert np.mean(labels[180:] == "charge_cc") > 0.97


def test_a_load_that_begins_between_two_rows_far_apart_ends_the_rest_before_it() -> None:
    """A rest of 20 minutes, then a steady load: half of its drop in one row, half in the next, and what settles."""
    t = np.arange(600) * STEP_S
    load = 4.05 - 0.062 - 0.025 * (1 - np.exp(-t / 40.0)) - 0.5 * t / 6000.0
    level = np.concatenate([np.full(120, 4.05), [4.05 - 0.031], load])

    labels = labels_from_voltage(signals(level))

    assert set(labels[:119]) == {"rest"}
    assert np.mean(labels[122:] == "ride") > 0.97


def flat_curve_charge(shoots_v: float) -> np.ndarray:
    """Half an hour of rest on LFP's plateau, then 33 minutes at C/5: a step and a climb of 9 mV, one group's knee."""
    t = np.arange(200) * STEP_S
    level = np.concatenate([np.full(180, 3.331), 3.340 + 0.009 * t / 2000.0])
    volts = np.repeat(level[:, None], GROUPS, axis=1)
    volts[180:, 5] += shoots_v * np.exp((t - 2000.0) / 300.0)
    return volts


def test_a_flat_charge_is_one_where_a_group_gets_quicker_and_stays_unsaid_where_none_does() -> None:
    """LFP's middle climbs too little to tell from a rest; the group that reaches its knee first tells it."""
    seen, unseen = (labels_from_voltage(signals(flat_curve_charge(v))) for v in (0.25, 0.0))

    assert np.mean(seen[180:] == "charge_cc") > 0.97
    assert set(seen[:178]) == {"rest"}
    assert "charge_cc" not in set(unseen)


def test_what_settles_after_a_ride_is_no_charge_however_far_it_climbs() -> None:
    """A tired group gives back 60 mV in an hour of rest, quick first: a relaxation, not a current."""
    t = np.arange(400) * STEP_S
    volts = np.repeat((3.60 + 0.015 * (1 - np.exp(-t / 900.0)))[:, None], GROUPS, axis=1)
    volts[:, 7] -= 0.060 * np.exp(-t / 900.0)

    assert set(labels_from_voltage(signals(volts))) == {"rest"}


def test_a_voltage_held_to_the_end_is_told_for_as_long_as_the_charger_cannot_have_gone_unseen() -> None:
    """65 minutes for a curve like that of NMC; what follows is unknown, and says why; nothing is lost in between."""
    phases = (Phase("charge_cc", 0.0, 6000.0), Phase("charge_cv", 6000.0, 20000.0))

    blind = signals(np.full((10, GROUPS), 4.2))
    told = told_phases(phases, Charge("cannot_tell"), blind, PACK)

    assert [(p.kind, p.start_s, p.end_s) for p in told] == [
        ("charge_cc", 0.0, 6000.0), ("charge_cv", 6000.0, 9900.0), ("unknown", 9900.0, 20000.0),
    ]  # fmt: skip
    assert told_phases(phases, Charge("full"), blind, PACK) == phases


def test_the_steep_top_of_a_charge_and_its_cut_are_no_ride() -> None:
    """Iron phosphate at a scan a minute: each rise is a third more than the one before, the cut gives back 10 mV."""
    rest, climb = np.full(30, 3.30), 3.334 + 0.035 * np.arange(100) / 100.0
    top = climb[-1] + np.cumsum(0.0027 * 1.33 ** np.arange(12.0))
    level = np.concatenate([rest, climb, top, [top[-1] - 0.004], np.full(40, top[-1] - 0.010)])
    volts = np.repeat(level[:, None], GROUPS, axis=1)
    made = signals(volts)
    labels = labels_from_voltage(replace(made, time_s=made.time_s * 6.0, step_s=60.0))

    assert "ride" not in set(labels)
    assert np.mean(labels[30:142] == "charge_cc") > 0.97
    assert np.mean(labels[144:] == "rest") > 0.97
