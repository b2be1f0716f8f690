"""Whether something changed on a date, which date, how surely: one step, kink or settling fall in a straight line.

What a change at a date explains beyond a straight line is the rise of twice the log likelihood. How the points scatter
is estimated too, so the likelihood is Student's and few points prove less; like series lend what they know of it.
Neighbours that scatter together count as fewer: (1 - r) / (1 + r) of them (Bayley and Hammersley, Suppl. J. Royal
Statistical Society 8, 1946, 184).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenstring.logbook.trends.dates import Kind, dates, gains, interval, shape
from evenstring.logbook.trends.line import Fit, fit
from evenstring.logbook.trends.points import WEEK_S, Points, without_lone

__all__ = ["Change", "bar", "change"]

F64 = NDArray[np.float64]
_LEAST = 8  # points in all; our choice
_FAR_WEEKS = 1e6  # our choice


@dataclass(frozen=True, slots=True)
class Change:
    """The likeliest change of a series."""

    kind: Kind
    tau_weeks: float  # of its shape, as in `dates`
    at_s: float  # since 1970
    low_s: float  # 95 % interval of the date
    high_s: float
    before: float  # slope of the line before it, unit of the series a week
    size: float  # unit of the series, of a kink a week
    sigma: float
    evidence: float  # rise of twice the log likelihood
    bar: float  # what it must reach
    explains: float  # what chi² falls by, the points' own uncertainties alone

    def shape(self, time_s: F64) -> F64:
        """What a change like this of size 1 makes at times since 1970."""
        return shape((time_s - self.at_s) / WEEK_S, self.tau_weeks)


def bar(count: int, looks: int, kind: Kind = "step") -> float:
    """What the evidence must reach.

    A step and its date cost 3 ln n (Zhang and Siegmund, Biometrics 63, 2007, 22: published). The date of a kink is an
    ordinary parameter (Feder, Annals of Statistics 3, 1975, 49), so that a kink costs 2 ln n as any two parameters do
    (Schwarz, Annals of Statistics 6, 1978, 461), and what settles 3 ln n for its three.

    Args:
        count: points of the series.
        looks: how many series, or the same one how often, are looked at for one answer; each divides the chance
            (Bonferroni), 2 ln looks for twice a log likelihood.
        kind: as for `change`.
    """
    return (2 if kind == "kink" else 3) * math.log(count) + 2 * math.log(max(looks, 1))


def change(series: Points, kind: Kind, looks: int = 1, *, borrowed: int = 0, usual: float = math.inf) -> Change | None:
    """The change of this kind, where the evidence reaches the bar.

    Args:
        series: one quantity.
        kind: a step (a meter's offset, a cleaned joint), a kink (a joint begins to work loose), or what settles (a leak
            begins, and balancing comes up with it).
        looks: as for `bar`.
        borrowed: degrees of freedom of the scatter already in the points' uncertainty, known from like series.
        usual: standard deviation of the slopes of series in which nothing changed, unit a week, where that is known.
    """
    count = len(series)
    if count < _LEAST or series.time_s[-1] <= series.time_s[0]:
        return None
    series = without_lone(series)
    tried = dates(series, kind)
    gain = gains(series, tried, usual)
    if not gain.max() > 0:
        return None
    which, place = (int(k) for k in np.unravel_index(np.argmax(gain), gain.shape))
    most, at_s, tau = gain[which, place], float(tried.at_s[place]), tried.tau_weeks[which]
    found = _fitted(series, shape((series.time_s - at_s) / WEEK_S, tau), usual)
    whole = told = _Scatter.of(found.rest, 4, borrowed)
    if kind != "kink":
        # What was usual before says whether it is one. After it a level may jump about or settle in another shape, as
        # that of a leaking group which balancing brings back now and then.
        told = _Scatter.of(found.rest[: tried.after[place]], 2, borrowed)
    evidence, needed = float(told.twice_log_likelihood(most)), bar(count, looks, kind)
    if evidence < needed:
        return None
    low_s, high_s = interval(tried, np.where(gain > 0, whole.twice_log_likelihood(most - gain), np.inf))
    return Change(kind, tau, at_s, low_s, high_s, found.before, found.size, found.sigma, evidence, needed, float(most))


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

    def twice_log_likelihood(self, gain: F64 | np.float64) -> F64:
        """Student's, of what chi² falls by: moderated, as in `group_changes`, by the like series."""
        worth = (1 - self.alike) / (1 + self.alike)
        return worth * self.free * np.log1p(np.asarray(gain) / max(self.left, 1e-12))


@dataclass(frozen=True, slots=True)
class _Fitted:
    before: float
    size: float
    sigma: float
    rest: F64  # (n,) residuals over the points' own uncertainties


def _fitted(series: Points, made: F64, usual: float) -> _Fitted:
    weeks = (series.time_s - series.time_s.mean()) / WEEK_S
    columns = np.column_stack((np.ones(len(weeks)), weeks, made))
    line = _fit_of(columns, series, usual)
    rest = (series.value - columns @ line.coefficients) / series.sigma
    alike = _Scatter.of(rest, 4, 0).alike
    sigma = math.sqrt(line.covariance[2, 2] * max(line.scale, 1.0) * (1 + alike) / (1 - alike))
    before, size = (float(c) for c in line.coefficients[1:])
    return _Fitted(before, size, sigma, rest)


def _fit_of(columns: F64, series: Points, usual: float) -> Fit:
    """A usual slope is one more point, of the slope alone, so far out that scatter between recordings is none of it."""
    if math.isinf(usual):
        return fit(columns, series.value, series.sigma)
    far = np.array([[0.0, _FAR_WEEKS, 0.0]])
    value, sigma = np.append(series.value, 0.0), np.append(series.sigma, _FAR_WEEKS * usual)
    return fit(np.concatenate((columns, far)), value, sigma)
