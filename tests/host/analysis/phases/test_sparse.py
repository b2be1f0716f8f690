"""Rows many seconds apart and no current: what is said of them is right, or said to be unknown. Worked out by hand."""

from __future__ import annotations

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
    noise = np.random.default_rng(3).normal(0.0, 2e-4, (len(level_v), GROUPS))
    volts = (level_v[:, None] + noise).astype(np.float32)
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


def test_a_voltage_held_to_the_end_is_told_for_as_long_as_the_charger_cannot_have_gone_unseen() -> None:
    """65 minutes for a curve like that of NMC; what follows is unknown, and says why; nothing is lost in between."""
    phases = (Phase("charge_cc", 0.0, 6000.0), Phase("charge_cv", 6000.0, 20000.0))

    told = told_phases(phases, Charge("cannot_tell"), PACK)

    assert [(p.kind, p.start_s, p.end_s) for p in told] == [
        ("charge_cc", 0.0, 6000.0), ("charge_cv", 6000.0, 9900.0), ("unknown", 9900.0, 20000.0),
    ]  # fmt: skip
    assert told_phases(phases, Charge("full"), PACK) == phases
