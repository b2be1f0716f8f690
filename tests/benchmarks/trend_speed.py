"""Trends, changes and warnings of 2,000 recordings, against one pass of numpy's least squares over the same numbers."""

from __future__ import annotations

from collections.abc import Callable
from time import perf_counter

import numpy as np
from evenstring.logbook.trends.group_changes import group_changes
from evenstring.logbook.trends.history import History
from evenstring.logbook.trends.months_page import months_page
from evenstring.logbook.trends.standing import standing

__all__ = ["run"]

_RECORDINGS, _GROUPS = 2000, 24


def _a_history() -> History:
    rng = np.random.default_rng(7)
    n, g = _RECORDINGS, _GROUPS
    start, ones = np.arange(n) * 43_200.0, np.ones(n)
    return History(
        start_s=start,
        end_s=start + 7200,
        departure_mv=rng.normal(0, 1, (n, g)),
        departure_sigma_mv=ones,
        resistance=1 + rng.normal(0, 0.02, (n, g)),
        resistance_sigma=0.02 * ones,
        capacity=1 + rng.normal(0, 0.01, (n, g)),
        capacity_sigma=0.01 * ones,
        full=np.ones(n, dtype=bool),
        even=ones,
        held_h=ones,
        left_percent=50 * ones,
        cycles=0.3 * ones,
        calibrated_s=float(start[-1]),
    )


def run() -> list[str]:
    """Least of three runs each."""
    history = _a_history()
    now_s = float(history.end_s[-1])
    columns = np.column_stack((np.ones(_RECORDINGS), history.end_s / now_s))
    all_series = np.hstack((history.departure_mv, history.resistance, history.capacity))
    lines = _least(lambda: [np.linalg.lstsq(columns, y, rcond=None) for y in all_series.T])
    search = _least(lambda: standing(history, now_s, group_changes(history)))
    page = _least(lambda: months_page(history, "invented", now_s))
    return [
        f"{_RECORDINGS:,} recordings of {_GROUPS} groups: changes and warnings {search:.2f} s, page {page:.2f} s",
        f"  {search / lines:.0f} times a plain least squares of each of the {all_series.shape[1]} series",
    ]


def _least(call: Callable[[], object]) -> float:
    times = []
    for _ in range(3):
        start = perf_counter()
        call()
        times.append(perf_counter() - start)
    return min(times)
