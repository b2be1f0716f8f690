"""Explanations of one group's departures, and how probable each is: healthy, one cause, or two at once.

An explanation is a normal distribution for the departures (meter, charge, capacity, resistance) whose variance is
production scatter, widened in the directions of its causes, plus the uncertainty of the evidence; its marginal
likelihood (the Bayes factor, of which BIC is the large-sample form: Kass and Raftery, J. Am. Stat. Assoc. 90, 1995) and
a stated prevalence give its probability.
"""

from __future__ import annotations

import math
from itertools import combinations
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.causes.catalogue import CAUSES, METER_MOST_MV, SCATTER
from evenstring.analysis.causes.evidence.estimates import CAPACITY, CHARGE, METER, RESISTANCE
from evenstring.analysis.series.arrays import robust_sigma

__all__ = [
    "EFFECT",
    "PREVALENCE",
    "SUBSETS",
    "as_charge",
    "estimate",
    "healthy",
    "no_more_than",
    "own_scatter",
    "possible",
    "shares",
    "weights",
]

F64 = NDArray[np.float64]

PREVALENCE = 0.5  # share of packs with a weak group, assumed and stated: our choice
# Not a cause: a group with less capacity that was level with the others at full, as a board leaves it, so that it
# lacks charge wherever a recording begins: our choice
LEVEL_AT_TOP = len(CAUSES)
EFFECT = np.array([6.0, 2.5, 6.5, 25.0])  # how far a cause typically takes a group: our choice
# Indices of the causes of each explanation: none, one, or two at once: our choice
SUBSETS: tuple[tuple[int, ...], ...] = (
    (),
    *((k,) for k in range(len(CAUSES))),
    *combinations(range(len(CAUSES)), 2),
    (CAPACITY, LEVEL_AT_TOP),
)
_LEAST_RESISTANCE = -12.0  # %, three deviations of production: no fault takes resistance away: our choice
_FOLLOWS = 0.9  # correlation of lost capacity with added resistance, of lost electrode area: our choice
_PAIR_SHARE = 0.1  # of the prior of a single cause: tuned on own packs under 100,000
# Groups' worth of belief in the production figures against the pack's own scatter: tuned on own packs under 100,000
_SCATTER_WEIGHT = 90.0
# Squares are cut at so many deviations, which takes so much of a normal variance: published (Huber 1981, winsorised
# variance)
_CUT, _CUT_GIVES = 2.5, 1.07
_Z90 = 1.645  # standard uncertainties of a 90 % interval: published (normal distribution, 90 % two-sided)
_NOTHING_LEFT = 1e-3  # of a distribution: our choice
_LEAST_OWN = 0.25  # of the production variance: no pack is evener than half of the usual scatter: our choice


def weights(x: F64, covariance: F64, scatter: F64, groups: int, below_full: float = 0.0) -> F64:
    """Probabilities of the explanations of one group.

    `below_full`: in SoC, of the median group at the start, where a departure in charge is counted.
    """
    logs = np.array([_log_likelihood(x, covariance, scatter, s, below_full) for s in SUBSETS]) + np.log(_priors(groups))
    weight = np.exp(logs - logs.max())
    return np.asarray(weight / weight.sum())


def possible(x: F64, covariance: F64, scatter: F64, below_full: float) -> F64:
    """Probability, under each explanation, of sizes that there are: no meter far off, no R far below others'."""
    out = []
    for subset in SUBSETS:
        size, u = _estimates(x, covariance, scatter, subset, below_full)
        within = [_below((most - size[METER]) / u[METER]) for most in (-METER_MOST_MV, METER_MOST_MV)]
        out.append((within[1] - within[0]) * _below((size[RESISTANCE] - _LEAST_RESISTANCE) / u[RESISTANCE]))
    return np.array(out)


def _below(deviations: float) -> float:
    """Share of a normal distribution that lies below so many standard deviations."""
    return 0.5 * math.erfc(-deviations / math.sqrt(2.0))


def as_charge(weight: F64) -> F64:
    """The same probabilities with each explanation by capacity counted as the one by charge in its place."""
    out = np.zeros_like(weight)
    for s, w in zip(SUBSETS, weight, strict=True):
        causes = {CHARGE if k == CAPACITY else k for k in s if k != LEVEL_AT_TOP}
        out[SUBSETS.index(tuple(sorted(causes)))] += w
    return out


def shares(weight: F64) -> F64:
    """Probability of each cause, alone or with another."""
    return np.array([sum(w for s, w in zip(SUBSETS, weight, strict=True) if k in s) for k in range(len(CAUSES))])


def _priors(groups: int) -> F64:
    single = PREVALENCE / groups / len(CAUSES)
    pairs = sum(len(s) == 2 for s in SUBSETS) - 1
    pair = single * _PAIR_SHARE * len(CAUSES) / pairs
    prior = np.array([{0: 0.0, 1: single, 2: pair}[len(s)] for s in SUBSETS])
    for s in ((CAPACITY,), (CAPACITY, LEVEL_AT_TOP)):  # one cause, seen from two places
        prior[SUBSETS.index(s)] = single / 2
    prior[0] = 1.0 - prior.sum()
    return prior


def healthy(scatter: F64) -> F64:
    """Scatter of healthy groups; a smaller group also has more resistance (less electrode area)."""
    out = np.diag(scatter**2)
    out[CAPACITY, RESISTANCE] = out[RESISTANCE, CAPACITY] = -(scatter[CAPACITY] ** 2)
    return out


def _total(covariance: F64, scatter: F64, subset: tuple[int, ...], below_full: float, effect: F64 = EFFECT) -> F64:
    total = covariance + healthy(scatter)
    for k in subset:
        if k not in (CAPACITY, LEVEL_AT_TOP):
            total[k, k] += effect[k] ** 2
    if CAPACITY in subset:
        # Lost electrode area takes capacity and adds resistance, and the charge of a group that was level at full: what
        # follows is no second cause.
        follows = np.zeros(len(total))
        follows[CAPACITY], follows[RESISTANCE] = 1.0, -_FOLLOWS
        follows[CHARGE] = below_full if LEVEL_AT_TOP in subset else 0.0
        total += effect[CAPACITY] ** 2 * np.outer(follows, follows)
        total[RESISTANCE, RESISTANCE] += effect[CAPACITY] ** 2 * (1.0 - _FOLLOWS**2)
    return total


def _log_likelihood(x: F64, covariance: F64, scatter: F64, subset: tuple[int, ...], below_full: float) -> float:
    total = _total(covariance, scatter, subset, below_full)
    _, log_det = np.linalg.slogdet(total)
    return float(-0.5 * (log_det + x @ np.linalg.solve(total, x)))


def own_scatter(size: F64, covariance: F64) -> F64:
    """Production scatter, corrected by what this pack's own groups show beyond their uncertainty."""
    robust = robust_sigma(size)
    noise = np.median(np.array([np.diag(c) for c in covariance]), axis=0)
    # Squares cut at 2.5 deviations: steadier than the median alone, and one weak group still cannot stretch them.
    squares = _CUT_GIVES * np.mean(np.minimum(size**2, (_CUT * robust) ** 2), axis=0)
    own = np.clip(squares - noise, 0.0, (3.0 * SCATTER) ** 2)
    n = len(size)
    own = np.maximum(own, _LEAST_OWN * SCATTER**2)
    return np.asarray(np.sqrt((_SCATTER_WEIGHT * SCATTER**2 + n * own) / (_SCATTER_WEIGHT + n)))


def estimate(
    x: F64, covariance: F64, scatter: F64, subset: tuple[int, ...], k: int, below_full: float = 0.0
) -> tuple[float, float]:
    """Size of cause k and its standard uncertainty: the evidence weighed with what the explanation expects."""
    size, u = _estimates(x, covariance, scatter, subset, below_full)
    return float(size[k]), float(u[k])


def _estimates(x: F64, covariance: F64, scatter: F64, subset: tuple[int, ...], below_full: float) -> tuple[F64, F64]:
    """Sizes of all causes, and their standard uncertainties."""
    # What was seen of a cause may be more than is typical: the expectation does not pull it down.
    expected = _total(np.zeros_like(covariance), scatter, subset, below_full, np.maximum(EFFECT, np.abs(x)))
    gain = expected @ np.linalg.inv(expected + covariance)
    left = np.diagonal(expected - gain @ expected)
    return gain @ x, np.sqrt(np.maximum(left, 1e-12))


def no_more_than(most: float, size: float, low: float, high: float) -> tuple[float, float, float]:
    """What is left of a size and its interval, as a normal distribution of its logarithm, where no more can be.

    All of it where next to nothing would be left: then it is the label, or the sensor, that is off.
    """
    if not 0.0 < low < high or not 0.0 < most < high:
        return size, low, high
    normal = NormalDist(math.log(size), math.log(high / low) / (2.0 * _Z90))
    below = normal.cdf(math.log(most))
    if below < _NOTHING_LEFT:
        return size, low, high
    middle, least, largest = (round(math.exp(normal.inv_cdf(q * below)), 3) for q in (0.5, 0.05, 0.95))
    return middle, least, largest
