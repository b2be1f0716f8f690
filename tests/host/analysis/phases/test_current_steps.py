"""Steps of a smooth level, held to the change points of `ruptures`.

C. Truong, L. Oudre, N. Vayatis, Signal Processing 167 (2020) 107299.
"""

from __future__ import annotations

import numpy as np
import pytest
import ruptures
from evenstring.analysis.phases.current_steps import steps_of

from tests.shares import first_few

HALF, NOISE_V, LEAST_V = 20, 0.0002, 0.001
APART = 120  # rows


def level(seed: int, steps_v: list[float]) -> tuple[np.ndarray, list[int]]:
    """A level that drifts by 5 mV an hour in rows of a second, with steps at known rows."""
    rng = np.random.default_rng(seed)
    at = [APART * (k + 1) + int(rng.integers(-20, 20)) for k in range(len(steps_v))]
    n = APART * (len(steps_v) + 1)
    v = 3.9 + np.arange(n) * 0.005 / 3600.0 + rng.normal(0.0, NOISE_V, n)
    for row, step in zip(at, steps_v, strict=True):
        v[row:] += step
    return v, at


def by_ruptures(v: np.ndarray) -> list[int]:
    """First rows after each change of the mean: exact search, penalised as by BIC for a change of mean."""
    found = ruptures.Pelt(model="l2", min_size=10, jump=1).fit(v)
    return found.predict(pen=6.0 * NOISE_V**2 * np.log(len(v)))[:-1]


@pytest.mark.parametrize("seed", range(6))
def test_steps_stand_where_an_outside_search_for_change_points_puts_them(seed: int) -> None:
    size = np.random.default_rng(100 + seed)
    steps_v = (size.choice([-1.0, 1.0], 5) * size.uniform(0.002, 0.02, 5)).tolist()
    v, true = level(seed, steps_v)

    ours, theirs = steps_of(v, HALF, LEAST_V, NOISE_V), by_ruptures(v)

    assert len(ours) == len(theirs) == len(true)
    assert np.abs(np.subtract(ours, theirs)).max() <= 2
    assert np.abs(np.subtract(ours, true)).max() <= 2


@pytest.mark.slow
@pytest.mark.parametrize("seed", first_few(2, range(6)))
def test_a_level_without_steps_has_none_by_either(seed: int) -> None:
    v, _ = level(seed, [])
    v = np.concatenate([v, v[-1] + np.random.default_rng(seed).normal(0.0, NOISE_V, 400)])

    assert steps_of(v, HALF, LEAST_V, NOISE_V) == []
    assert [k for k in by_ruptures(v) if abs(np.mean(v[k : k + 20]) - np.mean(v[k - 20 : k])) > LEAST_V] == []
