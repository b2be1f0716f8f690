"""The held end of a charge by its current, on series made by hand: stages, swinging chargers, sparse scans."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from evenstring.analysis.phases.segment import find_phases
from evenstring.profile import PackProfile
from evenstring.session import Session

from tests.host.looks import a_day

GROUPS = 6
OHM = 0.004


def kinds(amps: np.ndarray, ocv_v: np.ndarray, held_v: float, step_s: float) -> list[str]:
    """Phases of a charge between two rests: Ohm's law under the voltage that the charger holds."""
    rest = np.zeros(round(900.0 / step_s))
    current = np.concatenate([rest, amps, rest])
    level = np.concatenate([np.full(len(rest), ocv_v[0]), ocv_v, np.full(len(rest), ocv_v[-1])])
    volts = np.minimum(level + OHM * current, held_v)
    rng = np.random.default_rng(7)
    noisy = volts[:, None] + rng.normal(0.0, 2e-4, (len(volts), GROUPS))
    read_a = current + rng.normal(0.0, 0.02, len(current))
    session = replace(
        a_day(len(volts), GROUPS), time_s=np.arange(len(volts)) * step_s, volts_v=noisy.astype(np.float32),
        current_a=read_a.astype(np.float32),
    )  # fmt: skip
    return [p.kind for p in find_phases(session, PackProfile(groups=GROUPS))]


@pytest.mark.parametrize("step_s", [10.0, 60.0])
def test_the_taper_of_the_last_of_two_stages_is_a_held_end(step_s: float) -> None:
    """Six amperes, then two, and at 4.19 V a taper of some minutes: nothing of it is like the first stage."""
    t = np.arange(0.0, 6000.0, step_s)
    taper = np.exp(-np.clip(t - 5400.0, 0.0, None) / 400.0)
    amps = np.where(t < 3000.0, 6.0, 2.0 * taper)
    ocv = np.interp(t, [0.0, 5400.0, 6000.0], [3.90, 4.182, 4.186])

    assert kinds(amps, ocv, 4.19, step_s) == ["rest", "charge_cc", "charge_cv", "rest"]


def test_the_last_stage_may_end_at_its_full_current_too() -> None:
    t = np.arange(0.0, 6000.0, 10.0)
    ocv = np.interp(t, [0.0, 6000.0], [3.80, 4.10])

    assert kinds(np.where(t < 3000.0, 6.0, 2.0), ocv, 4.19, 10.0) == ["rest", "charge_cc", "rest"]


def test_a_charger_whose_current_swings_and_takes_the_voltage_along_holds_none() -> None:
    """Two minutes in which it gives a few hundredths less than before: the level goes up and down with it (Ohm)."""
    t = np.arange(0.0, 2000.0, 2.0)
    swing = np.where(t > 1870.0, -0.15 + 0.06 * np.sin(t / 9.0), 0.0)
    ocv = np.interp(t, [0.0, 1870.0, 2000.0], [4.05, 4.115, 4.1155])

    assert kinds(3.5 + swing, ocv, 4.19, 2.0) == ["rest", "charge_cc", "rest"]


def unseen(low_v_h: float, high_v_h: float, gone_s: float = np.inf) -> Session:
    """A charge and 80 minutes after its taper, in which the halves of the string move; the charger goes, or stays."""
    t = np.arange(0.0, 8400.0, 10.0)
    charge, after_h = t < 3600.0, np.clip(t, 3600.0, gone_s) / 3600.0 - 1.0
    amps = np.where(charge, 4.0 * np.exp(-np.clip(t - 1800.0, 0.0, None) / 300.0), 0.0)
    level = np.where(t < 1800.0, 4.05 + 0.15 * t / 1800.0, 4.2)
    volts = np.repeat(level[:, None], GROUPS, axis=1)
    volts[:, : GROUPS // 2] += -0.01 + low_v_h * after_h[:, None]
    volts[:, GROUPS // 2 :] += 0.01 + high_v_h * after_h[:, None]
    rng = np.random.default_rng(11)
    settles = 0.0005 * -np.expm1(-np.maximum(t - gone_s, 0.0) / 300.0) if np.isfinite(gone_s) else np.zeros(len(t))
    volts -= settles[:, None]
    return replace(
        a_day(len(t), GROUPS), time_s=t, volts_v=(volts + rng.normal(0.0, 2e-4, volts.shape)).astype(np.float32),
        current_a=(amps + rng.normal(0.0, 0.02, len(t))).astype(np.float32),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("low_v_h", "high_v_h", "last"),
    [(0.004, -0.004, "charge_cv"), (0.0, -0.004, "rest"), (0.0, 0.0, "rest"), (-0.001, -0.001, "rest")],
    ids=["held while the high ones bleed", "left alone while the high ones bleed", "still", "relaxing"],
)
def test_a_hold_whose_current_no_sensor_shows_is_told_by_the_low_groups_that_it_lifts(
    low_v_h: float, high_v_h: float, last: str
) -> None:
    """By hand: a charger that holds the sum lifts half of the groups by what the other half is bled of."""
    assert find_phases(unseen(low_v_h, high_v_h), PackProfile(groups=GROUPS))[-1].kind == last


def test_that_hold_ends_where_the_charger_goes() -> None:
    """By hand: fifty minutes on the low groups settle by half a millivolt, with the level well within the plateau's."""
    *_, held, left_alone = find_phases(unseen(0.004, -0.004, gone_s=6600.0), PackProfile(groups=GROUPS))

    assert (held.kind, left_alone.kind) == ("charge_cv", "rest")
    assert held.end_s == pytest.approx(6600.0, abs=150.0)
