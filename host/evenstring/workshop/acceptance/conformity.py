"""Decisions on a limit by the rules of JCGM 106:2012, clause numbers from memory.

A measured value is a best estimate with a standard uncertainty. With a guard band w on either side of a limit T (8.3):
it passes where the value keeps w from the limit on the right side, fails where it is beyond by w, and between the two
nothing is decided at this uncertainty. The conformance probability (7) is that of the true value being within the
limit: normal round the estimate, and with a prior, normal round the two weighed together (6 and 7). The specific risk
is the probability that this one decision is wrong; the global risks (9.5) are those of the rule for all items that the
prior speaks of.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import erfc, hypot, pi, sqrt
from typing import Literal

import numpy as np

__all__ = [
    "Decision", "GlobalRisks", "Limit", "Measured", "Prior", "Side", "decide", "global_risks", "normal_cdf",
    "probability_within", "risk_of",
]  # fmt: skip

Side = Literal["most", "least"]
Decision = Literal["pass", "fail", "not_decidable", "not_measured"]
_REACH, _POINTS = 9.0, 4001  # of the integral over the prior: standard deviations each way, points; our choice


@dataclass(frozen=True, slots=True)
class Measured:
    """A best estimate with its standard uncertainties (k = 1) towards lower and towards higher values, in one unit.

    Where the two differ each counts on its own side, so that an interval stated with unequal arms keeps both ends.
    """

    value: float
    u_low: float
    u_high: float


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known of such items beforehand: mean and standard deviation, in the unit of the limit."""

    mean: float
    u: float


@dataclass(frozen=True, slots=True)
class Limit:
    """A tolerance limit. `guard_band`: on either side of it, in standard uncertainties of what is measured."""

    bound: float
    side: Side
    guard_band: float


@dataclass(frozen=True, slots=True)
class GlobalRisks:
    """Shares of all items: passed though beyond the limit, and failed though within it."""

    consumer: float
    producer: float


def normal_cdf(z: float) -> float:
    """Share of the standard normal distribution below `z`."""
    return 0.5 * erfc(-z / sqrt(2.0))


def decide(measured: Measured, limit: Limit) -> Decision:
    """Pass, fail, or not decidable at this uncertainty."""
    room, u = _room(measured, limit)
    if room >= limit.guard_band * u:
        return "pass"
    return "fail" if -room >= limit.guard_band * u else "not_decidable"


def probability_within(measured: Measured, limit: Limit, prior: Prior | None = None) -> float:
    """Conformance probability: that the true value is within the limit, in view of the value (and of the prior)."""
    if prior is not None:
        measured = _weighed(measured, limit, prior)
    room, u = _room(measured, limit)
    return normal_cdf(room / u) if u > 0 else float(room >= 0)


def risk_of(decision: Decision, within: float) -> float | None:
    """Specific risk: the probability that a decision is wrong; None where nothing was decided."""
    return {"pass": 1.0 - within, "fail": within}.get(decision)


def global_risks(limit: Limit, u: float, prior: Prior) -> GlobalRisks:
    """Shares of wrong decisions over all items of the prior, each measured with standard uncertainty `u` (u > 0)."""
    sign = 1.0 if limit.side == "most" else -1.0
    edge = sign * (limit.bound - prior.mean) / prior.u  # of the limit, in the prior's standard deviations
    beyond = _share(edge, _REACH, lambda z: normal_cdf((edge - z) * prior.u / u - limit.guard_band))
    within = _share(-_REACH, edge, lambda z: normal_cdf((z - edge) * prior.u / u - limit.guard_band))
    return GlobalRisks(beyond, within)


def _share(low: float, high: float, chance: Callable[[float], float]) -> float:
    """Integral of the standard normal density times a chance, from `low` to `high`, by the trapezoidal rule."""
    if low >= high:
        return 0.0
    z = np.linspace(low, high, _POINTS)
    density = np.exp(-0.5 * z**2) / sqrt(2.0 * pi)
    return float(np.trapezoid(density * [chance(float(k)) for k in z], z))


def _room(measured: Measured, limit: Limit) -> tuple[float, float]:
    """Distance to the limit, positive within it, and the standard uncertainty on the side where the limit lies."""
    room = limit.bound - measured.value if limit.side == "most" else measured.value - limit.bound
    limit_is_higher = (room >= 0) == (limit.side == "most")
    return room, measured.u_high if limit_is_higher else measured.u_low


def _weighed(measured: Measured, limit: Limit, prior: Prior) -> Measured:
    """The estimate and the prior together, each by the inverse of its variance (two normal distributions)."""
    _, u = _room(measured, limit)
    if u <= 0:
        return measured
    share = prior.u**2 / (prior.u**2 + u**2)
    posterior = u * prior.u / hypot(u, prior.u)
    return Measured(prior.mean + share * (measured.value - prior.mean), posterior, posterior)
