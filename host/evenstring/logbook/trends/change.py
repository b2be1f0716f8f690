"""Whether something changed on a date, which date, how surely: one step or one kink in a straight line.

Each recording's time is tried as the date. What a step (1 from the date on) or a kink (time since the date) explains
beyond a straight line is the rise of twice the log likelihood. Scatter between recordings is that of the changed line,
so that the change itself does not count as scatter; it is an estimate too, so the likelihood is Student's and few
points prove less. Neighbours that scatter together count as fewer: (1 - r) / (1 + r) of them (Bayley and Hammersley,
Suppl. J. Royal Statistical Society 8, 1946, 184).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from evenstring.logbook.trends.line import Fit, fit
from evenstring.logbook.trends.points import WEEK_S, Points, without_lone

__all__ = ["Change", "Kind", "bar", "change"]

F64 = NDArray[np.float64]
Kind = Literal["step", "kink"]
_SIDE = 2  # points on each side of a change; a single one far off is left out anyway; our choice
_LEAST = 8  # points in all; our choice
_FAR_WEEKS = 1e6  # our choice


@dataclass(frozen=True, slots=True)
class Change:
    """The likeliest change of a series."""

    kind: Kind
    at_s: float  # since 1970
    low_s: float  # 95 % interval of the date
    high_s: float
    before: float  # slope of the line before it, unit of the series a week
    size: float  # a step: unit of the series; a kink: what the slope changes by, a week
    sigma: float
    evidence: float  # rise of twice the log likelihood
    bar: float  # what it must reach


def bar(count: int, looks: int, kind: Kind = "step") -> float:
    """What the evidence must reach.

    A step and its date cost 3 ln n (Zhang and Siegmund, Biometrics 63, 2007, 22: published). The date of a kink is an
    ordinary parameter (Feder, Annals of Statistics 3, 1975, 49), so that a kink costs 2 ln n as any two parameters do
    (Schwarz, Annals of Statistics 6, 1978, 461).

    Args:
        count: points of the series.
        looks: how many series, or the same one how often, are looked at for one answer; each divides the chance
            (Bonferroni), 2 ln looks for twice a log likelihood.
        kind: as for `change`.
    """
    return (3 if kind == "step" else 2) * math.log(count) + 2 * math.log(max(looks, 1))


def change(series: Points, kind: Kind, looks: int = 1, *, borrowed: int = 0, usual: float = math.inf) -> Change | None:
    """The change of this kind, where the evidence reaches the bar.

    Args:
        series: one quantity.
        kind: a step (a meter's offset, a cleaned joint) or a kink (a leak begins).
        looks: as for `bar`.
        borrowed: degrees of freedom of the scatter already in the points' uncertainty, known from like series.
        usual: standard deviation of the slopes of series in which nothing changed, unit a week, where that is known.
    """
    count = len(series)
    if count < _LEAST or series.time_s[-1] <= series.time_s[0]:
        return None
    series = without_lone(series)
    weeks = (series.time_s - series.time_s.mean()) / WEEK_S
    gain = _gain(series, weeks, kind, usual)
    if not gain.max() > 0:
        return None
    best = int(np.argmax(gain))
    found = _fitted(series, weeks, kind, best, usual)
    # After a step a level may jump about, as that of a leaking group which balancing brings back now and then: what was
    # usual before says whether it is one. A kink is told by all points.
    told = _Scatter.of(found.rest[:best], 2, borrowed) if kind == "step" else _Scatter.of(found.rest, 4, borrowed)
    evidence, needed = float(told.twice_log_likelihood(gain[best])), bar(count, looks, kind)
    if evidence < needed:
        return None
    behind = _Scatter.of(found.rest, 4, borrowed).twice_log_likelihood(gain[best] - gain)
    low_s, high_s = _interval(series.time_s, np.where(gain > 0, behind, np.inf), kind)
    at_s = _date(series.time_s, best, kind)
    return Change(kind, at_s, low_s, high_s, found.before, found.size, found.sigma, evidence, needed)


@dataclass(frozen=True, slots=True)
class _Scatter:
    """How points scatter beside a line, in their own uncertainties, and how far that is to be trusted."""

    free: int  # degrees of freedom
    left: float  # chi² beside the line, like series counted in
    alike: float  # correlation of neighbours, 0 to 0.95

    @classmethod
    def of(cls, rest: F64, parameters: int, borrowed: int) -> _Scatter:
        """Of residuals over their uncertainties; never less than these say."""
        free = max(len(rest) - parameters, 0) + borrowed
        chi2 = float(rest @ rest)
        # A line and a date make neighbours of pure noise look opposed; only likeness counts.
        alike = float(rest[1:] @ rest[:-1]) / max(chi2, 1e-12)
        return cls(free, max(chi2 + borrowed, float(free)), min(max(alike, 0.0), 0.95))

    def twice_log_likelihood(self, gain: F64 | float) -> F64 | float:
        """Student's, of what chi² falls by: moderated, as in `group_changes`, by the like series."""
        worth = (1 - self.alike) / (1 + self.alike)
        return worth * self.free * np.log1p(np.asarray(gain) / max(self.left, 1e-12))


@dataclass(frozen=True, slots=True)
class _Fitted:
    before: float
    size: float
    sigma: float
    rest: F64  # (n,) residuals over the points' own uncertainties


def _column(weeks: F64, kind: Kind, place: int) -> F64:
    since: F64 = weeks - weeks[place]
    return (since >= 0).astype(np.float64) if kind == "step" else np.maximum(since, 0.0)


def _fitted(series: Points, weeks: F64, kind: Kind, place: int, usual: float) -> _Fitted:
    columns = np.column_stack((np.ones(len(weeks)), weeks, _column(weeks, kind, place)))
    made = _fit_of(columns, series, usual)
    rest = (series.value - columns @ made.coefficients) / series.sigma
    alike = _Scatter.of(rest, 4, 0).alike
    sigma = math.sqrt(made.covariance[2, 2] * max(made.scale, 1.0) * (1 + alike) / (1 - alike))
    before, size = (float(c) for c in made.coefficients[1:])
    return _Fitted(before, size, sigma, rest)


def _fit_of(columns: F64, series: Points, usual: float) -> Fit:
    """A usual slope is one more point, of the slope alone, so far out that scatter between recordings is none of it."""
    if math.isinf(usual):
        return fit(columns, series.value, series.sigma)
    far = np.array([[0.0, _FAR_WEEKS, 0.0]])
    value, sigma = np.append(series.value, 0.0), np.append(series.sigma, _FAR_WEEKS * usual)
    return fit(np.concatenate((columns, far)), value, sigma)


def _gain(series: Points, weeks: F64, kind: Kind, usual: float) -> F64:
    """(n,) what chi² falls by with a change at each point; sums from the end make it one pass over the points."""
    weight = 1.0 / series.sigma**2
    columns = np.column_stack((np.ones(len(weeks)), weeks))
    # Columns orthonormal under the weights, and with the usual slope as one more point, in which a change has no share:
    # what they explain of a change is a sum of two squares.
    heavy = np.concatenate((columns * np.sqrt(weight)[:, None], [[0.0, 1.0 / usual]]))
    base = columns @ np.linalg.inv(np.linalg.qr(heavy, mode="r"))
    rest = series.value - base @ (base.T @ (weight * series.value))
    with_rest, with_self = _tail(weeks, weight * rest, kind), _tail(weeks, weight, kind, squared=True)
    explained = sum(_tail(weeks, weight * base[:, k], kind) ** 2 for k in (0, 1))
    alone = with_self - explained
    alone[:_SIDE] = 0
    alone[len(weeks) - _SIDE + 1 :] = 0
    usable = alone > 1e-9 * max(float(with_self.max()), 1e-300)
    return np.where(usable, with_rest**2 / np.where(usable, alone, 1.0), 0.0)


def _tail(weeks: F64, terms: F64, kind: Kind, *, squared: bool = False) -> F64:
    """(n,) for each place c: the sum over points from c on of terms × column (or column²)."""
    if kind == "step":
        return _ends(terms)
    if squared:
        return _ends(terms * weeks**2) - 2 * weeks * _ends(terms * weeks) + weeks**2 * _ends(terms)
    return _ends(terms * weeks) - weeks * _ends(terms)


def _ends(values: F64) -> F64:
    """(n,) the sum of each value and all after it."""
    total: F64 = np.cumsum(values[::-1], dtype=np.float64)
    return np.flip(total)


def _date(time_s: F64, place: int, kind: Kind) -> float:
    """A step lies between two recordings, a kink may begin at one."""
    return float((time_s[place - 1] + time_s[place]) / 2 if kind == "step" else time_s[place])


def _interval(time_s: F64, behind: F64, kind: Kind) -> tuple[float, float]:
    """95 % of the date's probability, every date beforehand as likely as any other.

    `behind` is (n,) twice the log likelihood below the best. A step at a recording happened since the one before it, a
    kink lies about as far as half way to its neighbours.
    """
    before = np.concatenate((time_s[:1], time_s[:-1]))
    if kind == "step":
        left, right = before, time_s
    else:
        middle = (time_s[1:] + time_s[:-1]) / 2
        left, right = np.concatenate((time_s[:1], middle)), np.concatenate((middle, time_s[-1:]))
    chance = np.exp(-behind / 2) * np.maximum(right - left, 1.0)
    total = np.cumsum(chance) / chance.sum()
    edges, reached = np.concatenate((left[:1], right)), np.concatenate(([0.0], total))
    low, high = np.interp((0.025, 0.975), reached, edges)
    return float(low), float(high)
