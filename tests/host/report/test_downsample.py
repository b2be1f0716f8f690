"""Fewer points, and no extreme lost."""

from __future__ import annotations

import numpy as np
import pytest
from evenstring.report.drawing.reduction import departures_mv, reduce_extremes, row_median
from hypothesis import given, settings
from hypothesis import strategies as st


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 3000), st.integers(1, 6), st.integers(1, 50), st.integers(0, 2**32 - 1))
def test_every_group_keeps_its_extremes(n: int, groups: int, buckets: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    time_s = np.cumsum(rng.exponential(1.0, n))
    values = rng.normal(size=(n, groups)).astype(np.float32)
    values[rng.random((n, groups)) < 0.1] = np.nan
    drawn = reduce_extremes(time_s, values, buckets)
    for g in range(groups):
        column = values[:, g][~np.isnan(values[:, g])]
        kept = drawn.values[:, g][~np.isnan(drawn.values[:, g])]
        if len(column):
            assert kept.min() == column.min()
            assert kept.max() == column.max()


def test_one_bad_scan_in_eight_hours_is_drawn_at_its_time() -> None:
    n = 288_000
    values = np.zeros((n, 2), np.float32)
    values[123_456, 1] = -900.0
    drawn = reduce_extremes(np.arange(n) / 10.0, values, 1500)
    assert len(drawn.values) <= 3000
    assert drawn.time_s[int(np.argmin(drawn.values[:, 1])), 1] == pytest.approx(12_345.6)


def test_what_is_kept_was_measured_and_stays_in_order() -> None:
    rng = np.random.default_rng(1)
    time_s, values = np.arange(5000.0), rng.normal(size=(5000, 3)).astype(np.float32)
    drawn = reduce_extremes(time_s, values, 100)
    assert (np.diff(drawn.time_s, axis=0) >= 0).all()
    assert np.isin(drawn.values, values).all()


def test_a_gap_breaks_every_line() -> None:
    drawn = reduce_extremes(np.arange(10.0), np.zeros((10, 2), np.float32), 100, np.array([4.5]))
    assert np.isnan(drawn.values).sum(axis=0).tolist() == [1, 1]
    assert np.isnan(drawn.values[5]).all()


@settings(max_examples=50, deadline=None)
@given(st.integers(1, 50), st.integers(1, 9), st.integers(0, 2**32 - 1))
def test_median_of_a_scan_agrees_with_numpy(n: int, groups: int, seed: int) -> None:
    # Reference: numpy.nanmedian.
    rng = np.random.default_rng(seed)
    values = rng.normal(3.7, 0.1, (n, groups)).astype(np.float32)
    values[rng.random((n, groups)) < 0.2] = np.nan
    some = ~np.isnan(values).all(axis=1)
    np.testing.assert_allclose(row_median(values)[some], np.nanmedian(values[some], axis=1), rtol=1e-6)
    assert np.isnan(row_median(values)[~some]).all()


def test_departure_of_the_middle_group_is_zero() -> None:
    assert departures_mv(np.array([[3.7, 3.8, 3.9]], np.float32))[0].tolist() == pytest.approx([-100, 0, 100], abs=0.01)
