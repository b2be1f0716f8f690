"""Dates that a change may have, what a change at each would explain, and between which the true one lies.

A step lies somewhere between two recordings. A kink has a place there: a leak that begins on Sunday is seen on Monday
and on Friday, and the two say when.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from evenstring.logbook.trends.points import WEEK_S, Points

__all__ = ["Dates", "Kind", "column", "dates", "gains", "interval"]

F64 = NDArray[np.float64]
Kind = Literal["step", "kink"]
_SIDE = 2  # points on each side of a change; a single one far off is left out anyway; our choice
_BETWEEN = 4  # dates of a kink to each recording: our choice


@dataclass(frozen=True, slots=True, eq=False)
class Dates:
    """m dates in order of time."""

    kind: Kind
    at_s: F64  # (m,), since 1970
    after: NDArray[np.intp]  # (m,) the first point after each
    edges_s: F64  # (m + 1,) each date stands for what lies between two of these


def dates(series: Points, kind: Kind) -> Dates:
    """All that may be told apart; the series has two points or more."""
    time_s, count = series.time_s, len(series)
    if kind == "step":
        return Dates(kind, (time_s[1:] + time_s[:-1]) / 2, np.arange(1, count), time_s)
    at_s = np.interp(np.arange((count - 1) * _BETWEEN + 1) / _BETWEEN, np.arange(count), time_s)
    edges_s = np.concatenate((at_s[:1], (at_s[1:] + at_s[:-1]) / 2, at_s[-1:]))
    return Dates(kind, at_s, np.searchsorted(time_s, at_s, side="right"), edges_s)


def column(series: Points, tried: Dates, place: int) -> F64:
    """(n,) the change at one of the dates: 1 from a step on, weeks since a kink."""
    if tried.kind == "step":
        return (np.arange(len(series)) >= tried.after[place]).astype(np.float64)
    return np.maximum((series.time_s - tried.at_s[place]) / WEEK_S, 0.0)


def gains(series: Points, tried: Dates, usual: float) -> F64:
    """(m,) what chi² falls by with a change at each date; sums from the end make it one pass over the points.

    `usual`: of the slope, as for `change`.
    """
    middle_s = series.time_s.mean()
    weeks, at = (series.time_s - middle_s) / WEEK_S, (tried.at_s - middle_s) / WEEK_S
    weight = 1.0 / series.sigma**2
    columns = np.column_stack((np.ones(len(weeks)), weeks))
    # Columns orthonormal under the weights, and with the usual slope as one more point, in which a change has no share:
    # what they explain of a change is a sum of two squares.
    heavy = np.concatenate((columns * np.sqrt(weight)[:, None], [[0.0, 1.0 / usual]]))
    base = columns @ np.linalg.inv(np.linalg.qr(heavy, mode="r"))
    rest = series.value - base @ (base.T @ (weight * series.value))

    def with_change(terms: F64) -> F64:
        """(m,) the sum of terms × the change at each date."""
        if tried.kind == "step":
            return _ends(terms)[tried.after]
        return _ends(terms * weeks)[tried.after] - at * _ends(terms)[tried.after]

    alone = with_change(weight)
    if tried.kind == "kink":  # its square
        alone = _ends(weight * weeks**2)[tried.after] - at * (_ends(weight * weeks)[tried.after] + alone)
    most = max(float(alone.max()), 1e-300)
    alone = alone - with_change(weight * base[:, 0]) ** 2 - with_change(weight * base[:, 1]) ** 2
    usable = (tried.after >= _SIDE) & (tried.after <= len(weeks) - _SIDE) & (alone > 1e-9 * most)
    return np.where(usable, with_change(weight * rest) ** 2 / np.where(usable, alone, 1.0), 0.0)


def _ends(values: F64) -> F64:
    """(n + 1,) the sum of each value and all after it; 0 after the last."""
    total: F64 = np.cumsum(values[::-1], dtype=np.float64)
    return np.append(np.flip(total), 0.0)


def interval(tried: Dates, behind: F64) -> tuple[float, float]:
    """95 % of the date's probability, every date beforehand as likely as any other.

    `behind` is (m,) twice the log likelihood below the best.
    """
    chance = np.exp(-behind / 2) * np.maximum(np.diff(tried.edges_s), 1.0)
    reached = np.concatenate(([0.0], np.cumsum(chance) / chance.sum()))
    low, high = np.interp((0.025, 0.975), reached, tried.edges_s)
    return float(low), float(high)
