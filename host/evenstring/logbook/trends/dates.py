"""Dates that a change may have, what a change at each would explain, and between which the true one lies.

A change has a shape: a step, a kink from which a straight line goes on, or between them one that settles,
1 - exp(-weeks / tau), as the level of a group that leaks while balancing comes up with it. Tau is 0 for a step and
endless for a kink.

A step lies somewhere between two recordings. The others have a place there: a leak that begins on Sunday is seen on
Monday and on Friday, and the two say when.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from evenstring.logbook.trends.points import WEEK_S, Points

__all__ = ["Dates", "Kind", "dates", "gains", "interval", "shape"]

F64 = NDArray[np.float64]
Kind = Literal["step", "kink", "settling"]
_SIDE = 2  # points on each side of a change; a single one far off is left out anyway; our choice
_BETWEEN = 4  # dates to each recording of what is no step: our choice
# 2 to 16 weeks; so near each other that a fall of 20 standard deviations is dated as promised: our choice
_SETTLING_WEEKS = tuple(2.0 * 2.0 ** (k / 2) for k in range(7))
_TAU_WEEKS: dict[Kind, tuple[float, ...]] = {"step": (0.0,), "kink": (np.inf,), "settling": _SETTLING_WEEKS}


@dataclass(frozen=True, slots=True, eq=False)
class Dates:
    """m dates in order of time, and k shapes that a change may have at each."""

    tau_weeks: tuple[float, ...]  # (k,)
    at_s: F64  # (m,), since 1970
    after: NDArray[np.intp]  # (m,) the first point after each
    edges_s: F64  # (m + 1,) each date stands for what lies between two of these


def dates(series: Points, kind: Kind) -> Dates:
    """All that may be told apart; the series has two points or more."""
    time_s, count = series.time_s, len(series)
    if kind == "step":
        return Dates(_TAU_WEEKS[kind], (time_s[1:] + time_s[:-1]) / 2, np.arange(1, count), time_s)
    at_s = np.interp(np.arange((count - 1) * _BETWEEN + 1) / _BETWEEN, np.arange(count), time_s)
    edges_s = np.concatenate((at_s[:1], (at_s[1:] + at_s[:-1]) / 2, at_s[-1:]))
    return Dates(_TAU_WEEKS[kind], at_s, np.searchsorted(time_s, at_s, side="right"), edges_s)


def shape(weeks: F64, tau_weeks: float) -> F64:
    """What a change of size 1 makes so many weeks after its date; 0 before. A kink's size is a week's."""
    since: F64 = np.maximum(weeks, 0.0)
    if np.isinf(tau_weeks):
        return since
    made: F64 = (weeks > 0).astype(np.float64) if tau_weeks == 0.0 else -np.expm1(-since / tau_weeks)
    return made


def gains(series: Points, tried: Dates, usual: float) -> F64:
    """(k, m) what chi² falls by with a change of each shape at each date.

    `usual`: of the slope, as for `change`.
    """
    weeks = (series.time_s - series.time_s.mean()) / WEEK_S
    weight = 1.0 / series.sigma**2
    columns = np.column_stack((np.ones(len(weeks)), weeks))
    # Columns orthonormal under the weights, and with the usual slope as one more point, in which a change has no share:
    # what they explain of a change is a sum of two squares.
    heavy = np.concatenate((columns * np.sqrt(weight)[:, None], [[0.0, 1.0 / usual]]))
    base = columns @ np.linalg.inv(np.linalg.qr(heavy, mode="r"))
    rest = series.value - base @ (base.T @ (weight * series.value))
    enough = (tried.after >= _SIDE) & (tried.after <= len(weeks) - _SIDE) & (np.diff(tried.edges_s) > 0)
    found = np.zeros((len(tried.tau_weeks), len(tried.at_s)))
    for row, tau in zip(found, tried.tau_weeks, strict=True):
        sums = _Sums(weeks, (tried.at_s - series.time_s.mean()) / WEEK_S, tried.after, tau)
        square = sums.of_square(weight)
        alone = square - sums.of(weight * base[:, 0]) ** 2 - sums.of(weight * base[:, 1]) ** 2
        usable = enough & (alone > 1e-9 * max(float(square.max()), 1e-300))
        row[usable] = (sums.of(weight * rest) ** 2)[usable] / alone[usable]
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _Sums:
    """Sums over all points of terms × a change at each date, by sums from the end: one pass over the points."""

    weeks: F64  # (n,), small enough that exp(weeks / tau) is finite: some 40 years
    at: F64  # (m,)
    after: NDArray[np.intp]
    tau: float

    def of(self, terms: F64) -> F64:
        """(m,) of n terms."""
        if self.tau == 0.0:
            return self._ends(terms)
        if np.isinf(self.tau):
            return self._ends(terms * self.weeks) - self.at * self._ends(terms)
        return self._ends(terms) - np.exp(self.at / self.tau) * self._ends(terms * np.exp(-self.weeks / self.tau))

    def of_square(self, terms: F64) -> F64:
        """(m,) of n terms × the change's square."""
        if self.tau == 0.0:
            return self._ends(terms)
        if np.isinf(self.tau):
            return self.of(terms * self.weeks) - self.at * self.of(terms)
        return self.of(terms) - np.exp(self.at / self.tau) * self.of(terms * np.exp(-self.weeks / self.tau))

    def _ends(self, terms: F64) -> F64:
        """(m,) the sum of what lies after each date."""
        sums: F64 = np.append(np.flip(np.cumsum(terms[::-1], dtype=np.float64)), 0.0)[self.after]
        return sums


def interval(tried: Dates, behind: F64) -> tuple[float, float]:
    """95 % of the date's probability, every date and shape beforehand as likely as any other.

    `behind` is (k, m) twice the log likelihood below the best.
    """
    chance = np.exp(-behind / 2).sum(axis=0) * np.maximum(np.diff(tried.edges_s), 1.0)
    reached = np.concatenate(([0.0], np.cumsum(chance) / chance.sum()))
    low, high = np.interp((0.025, 0.975), reached, tried.edges_s)
    return float(low), float(high)
