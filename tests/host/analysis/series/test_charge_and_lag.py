"""Charge counted and first-order lags, held to scipy; and the one rule for silences."""

from __future__ import annotations

import numpy as np
import pytest
from evenstring.analysis.series.charge_moved import charge_moved_ah, charge_total_ah, counted_steps_s, silent_after
from evenstring.analysis.series.lag import lagged
from scipy.integrate import cumulative_trapezoid
from scipy.signal import lsim


def uneven(seed: int, n: int = 600) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    return np.cumsum(rng.uniform(0.3, 3.0, n)), rng.normal(0.0, 10.0, n)


@pytest.mark.parametrize("seed", range(4))
def test_charge_is_scipys_trapezoids(seed: int) -> None:
    t, amps = uneven(seed)

    moved = charge_moved_ah(t, amps)

    assert moved == pytest.approx(cumulative_trapezoid(amps, t, initial=0.0) / 3600.0, abs=1e-12)
    assert charge_total_ah(t, amps) == moved[-1]


def test_no_charge_is_counted_across_a_silence_and_the_count_goes_on_after_it() -> None:
    """By hand: 10 A for 100 s, an hour of silence, 10 A for 100 s."""
    t = np.concatenate([np.arange(0.0, 101.0), np.arange(3700.0, 3801.0)])

    assert charge_total_ah(t, np.full(len(t), 10.0)) == pytest.approx(2 * 10.0 * 100.0 / 3600.0)
    assert np.flatnonzero(silent_after(t)).tolist() == [100]
    assert counted_steps_s(t).sum() == 200.0


def test_a_table_of_a_row_in_five_minutes_is_not_all_silence() -> None:
    t = np.arange(0.0, 7201.0, 300.0)

    assert not silent_after(t).any()
    assert charge_total_ah(t, np.full(len(t), 2.0)) == pytest.approx(4.0)


def test_a_missing_current_counts_as_none_and_no_rows_as_no_charge() -> None:
    assert charge_total_ah(np.arange(3.0), np.array([np.nan, np.nan, np.nan], np.float32)) == 0.0
    assert charge_total_ah(np.zeros(0), np.zeros(0)) == 0.0
    assert counted_steps_s(np.zeros(1)).tolist() == [0.0]


@pytest.mark.parametrize("tau_s", [3.0, 30.0, 300.0])
def test_a_lag_is_scipys_solution_of_its_differential_equation(tau_s: float) -> None:
    """Tau x' = u - x with u constant from row to row, at the mean of both; scipy wants even steps."""
    t, amps = np.arange(0.0, 900.0, 1.5), uneven(7)[1]
    middle = (amps[1:] + amps[:-1]) / 2.0

    _, theirs, _ = lsim(([1.0], [tau_s, 1.0]), np.append(middle, 0.0), t, interp=False)

    assert lagged(t, amps, (tau_s,))[:, 0] == pytest.approx(theirs, abs=1e-9)


def test_across_a_silence_a_lag_only_dies_away() -> None:
    t = np.concatenate([np.arange(0.0, 600.0), [4200.0], np.arange(4201.0, 4300.0)])
    amps = np.full(len(t), 10.0)

    out = lagged(t, amps, (600.0,))[:, 0]

    assert out[600] == pytest.approx(out[599] * np.exp(-3601.0 / 600.0), rel=1e-9)
