"""What can only be compared like for like: sag at like load and temperature, resistance at like temperature; leaks.

A sag grows with the current and with the cold, so that a winter of hard rides would look like a failing pack. Only
recordings near the middle load and the middle temperature of all are compared; of those each is scaled to the middle
load, in proportion (Ohm's law).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenstring.logbook.trends.group_changes import GroupChange
from evenstring.logbook.trends.history import History
from evenstring.logbook.trends.points import Points, points

__all__ = ["Leaks", "Like", "leaks", "leaks_now", "resistance_alike", "sag_alike"]

F64 = NDArray[np.float64]
_LIKE_A = 0.3  # of the middle load: our choice
_LIKE_K = 5.0  # from the middle temperature; resistance moves by some 15 % over them: our choice
_SAG_U, _RESISTANCE_U = 0.05, 0.03  # relative, of one recording, of loads that are not quite alike: our choice
_Z95 = 1.96  # standard uncertainties of a 95 % interval: published (normal distribution, two-sided)


@dataclass(frozen=True, slots=True, eq=False)
class Like:
    """Recordings that may be compared, and at what; temperature None: nobody told it, so all are taken as alike."""

    series: Points
    load_a: float | None
    temperature_c: float | None
    left_out: int  # recordings with another load or temperature


@dataclass(frozen=True, slots=True, eq=False)
class Leaks:
    """(g,) % of capacity a week more than the median group, mean of all pairs of rests, and the uncertainty of each."""

    percent_week: F64
    u: F64
    pairs: int
    weeks: float  # between the first and the last pair

    def interval(self, group: int) -> tuple[float, float, float]:
        """Best, low and high of a group (from 1), level 0.95."""
        best, u = float(self.percent_week[group - 1]), float(self.u[group - 1])
        return best, best - _Z95 * u, best + _Z95 * u


def sag_alike(history: History) -> Like | None:
    """The deepest sag of any group, mV at the middle load; None where no ride showed one."""
    if history.sag_mv is None or history.sag_a is None or not np.isfinite(history.sag_mv).any():
        return None
    load_a = float(np.nanmedian(history.sag_a))
    near = np.abs(history.sag_a - load_a) <= _LIKE_A * load_a
    scaled = history.sag_mv * load_a / history.sag_a
    return _like(history, (scaled, _SAG_U, history.sag_c), near, load_a)


def resistance_alike(history: History) -> Like | None:
    """The median group's resistance at once, mohm; None where no ride showed one."""
    if history.resistance_mohm is None or not np.isfinite(history.resistance_mohm).any():
        return None
    near = np.isfinite(history.resistance_mohm)
    return _like(history, (history.resistance_mohm, _RESISTANCE_U, history.temperature_c), near, None)


def _like(history: History, seen: tuple[F64, float, F64 | None], near: NDArray[np.bool_], load_a: float | None) -> Like:
    value, u, warm_c = seen
    told = np.isfinite(value)
    middle_c = None
    if warm_c is not None and np.isfinite(warm_c[told]).any():
        middle_c = float(np.nanmedian(warm_c[told]))
        near = near & (np.abs(warm_c - middle_c) <= _LIKE_K)
    kept = told & near
    series = points(history.end_s[kept], value[kept], u * value[kept])
    return Like(series, load_a, middle_c, int(told.sum() - kept.sum()))


def leaks_now(history: History, changes: Sequence[GroupChange]) -> Leaks | None:
    """The same since a group began to fall behind, where one did: rests before would say that it does not."""
    began = [c.change.at_s for c in changes if c.worse and c.quantity == "departure"]
    return leaks(history, max(began, default=-np.inf))


def leaks(history: History, since_s: float = -np.inf) -> Leaks | None:
    """Weighted by what each pair of rests tells; None without a pair. Never surer than the pairs agree.

    `since_s`: pairs that ended before it do not count.
    """
    rate, sigma = history.leak_percent_week, history.leak_sigma
    if rate is None or sigma is None:
        return None
    known = np.isfinite(sigma) & np.isfinite(rate).all(axis=1) & (history.end_s >= since_s)
    if not known.any():
        return None
    rate, weight = rate[known], 1.0 / sigma[known] ** 2
    mean = weight @ rate / weight.sum()
    free = max(len(rate) - 1, 1)
    # Birge's ratio (Physical Review 40, 1932, 207): scatter beyond what the rests say widens, less does not narrow.
    ratio = np.sqrt(np.maximum(weight @ (rate - mean) ** 2 / free, 1.0))
    ends_s = history.end_s[known]
    weeks = float(ends_s[-1] - ends_s[0]) / 604_800.0
    return Leaks(mean, ratio / np.sqrt(weight.sum()), len(rate), weeks)
