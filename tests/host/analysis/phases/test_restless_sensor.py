"""A sensor's own noise and zero make neither charges nor rides of a rest; stages before the hold do not hide it."""

from __future__ import annotations

import numpy as np
import pytest
from evenstring.analysis.phases import segment
from evenstring.analysis.phases.segment import find_phases
from evenstring.profile import PackProfile
from evenstring.session import Session

PROFILE = PackProfile(groups=6, capacity_ah=30.0)


def session(amps: np.ndarray, level_v: np.ndarray, noise_a: float, zero_a: float = 0.0) -> Session:
    rng = np.random.default_rng(3)
    n = len(amps)
    volts = level_v[:, None] + rng.normal(0, 2e-4, (n, 6))
    current = amps + zero_a + noise_a * rng.standard_normal(n)
    return Session(
        np.arange(n) * 1.0, volts.astype(np.float32), np.zeros((n, 6), np.uint8), np.zeros(n, np.float32),
        current_a=current.astype(np.float32),
    )  # fmt: skip


def a_charge_and_a_rest() -> tuple[np.ndarray, np.ndarray]:
    """5 A to 4.2 V, an hour of taper to 0.8 A, the charger goes, an hour and a half of rest."""
    t = np.arange(3600.0)
    amps = np.concatenate([np.full(3000, 5.0), 5.0 * np.exp(-t / 1960.0), np.zeros(5400)])
    level = np.concatenate(
        [np.linspace(3.9, 4.2, 3000), np.full(3600, 4.2), 4.2 - 0.006 * -np.expm1(-np.arange(5400.0) / 900)]
    )
    return amps, level


def kinds(found: Session) -> list[str]:
    return [p.kind for p in find_phases(found, PROFILE)]


def test_a_rest_under_a_restless_sensor_stays_a_rest(monkeypatch: pytest.MonkeyPatch) -> None:
    """0.05 A of noise about a zero of 0.07 A: crossings of 0.1 A made charges and rides of it."""
    restless = session(*a_charge_and_a_rest(), noise_a=0.05, zero_a=0.07)

    assert kinds(restless) == ["charge_cc", "charge_cv", "rest"]
    monkeypatch.setattr(segment, "_RESTLESS", 0.0)
    monkeypatch.setattr(segment, "_STANDS_OUT", 0.0)
    assert kinds(restless)[-1] != "rest"


def test_behind_three_stages_the_held_end_is_found() -> None:
    amps = np.concatenate(
        [np.full(6000, 8.0), np.full(4000, 4.0), np.full(2000, 2.0), 2.0 * np.exp(-np.arange(500) / 400)]
    )
    level = np.concatenate([
        np.linspace(3.6, 4.08, 6000), np.linspace(4.04, 4.15, 4000), np.linspace(4.13, 4.2, 2000), np.full(500, 4.2),
    ])  # fmt: skip
    staged = session(np.append(amps, np.zeros(900)), np.append(level, np.full(900, 4.17)), noise_a=0.01)

    assert kinds(staged) == ["charge_cc", "charge_cv", "rest"]
