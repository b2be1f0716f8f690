"""Patterns along the string that belong to no single group, found and taken out before any group is accused.

Of the meter: an odd/even comb (one converter offset, polarity alternating); an offset that rises in a line with the
position (leakage over a multiplexer); a tap's error, which adds to the group below the tap what it takes from the one
above. Of the string: a smooth course of resistance (temperature: straight, bowed, folded, or wired to and fro).

Comb and courses are kept where they explain more than they cost (BIC: Kass and Raftery, J. Am. Stat. Assoc. 90, 1995).
A tap's error is weighed, pair by pair, against what the two groups would otherwise have to be: healthy, or each with a
cause of its own. Two neighbours with opposite faults of the same size are far less likely than one bad tap.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from evenstring.analysis.causes.evidence.estimates import METER, Evidence
from evenstring.analysis.results import MeterPattern
from evenstring.analysis.series.arrays import robust_sigma

__all__ = ["LEAST_GROUPS", "course", "course_line", "without_meter_patterns"]

F64 = NDArray[np.float64]

LEAST_GROUPS = 8  # fewer tell no pattern from scatter: our choice
_TAP_MV = 6.0  # how far a bad tap typically takes its two groups: our choice
_TAP_SHARE = 0.3  # of the packs that have any fault: tuned on own packs under 100,000
_MOST_TAPS = 6  # reported, each of them: our choice
# In BIC: below it healthy scatter looks like a course in a quarter of strings: tuned on own packs under 100,000
_COURSE_AHEAD = 6.0
_TAP_AHEAD = 2.0  # log odds; below it one channel's own offset is as good an answer: tuned on own packs under 100,000
_LEAST_DEPTH = 0.1  # of the capacity moved: our choice
_Z90 = 1.645  # standard uncertainties of a 90 % interval: published (normal distribution, 90 % two-sided)
# A comb and a line stand out by so many of their uncertainties: tuned on own packs under 100,000
_COMB_U, _LINE_U = 4.0, 4.0
_LINE_AHEAD = 6.0  # in BIC, of a line along the string: tuned on own packs under 100,000
# Sigma / sqrt(groups) of the difference of two medians, 1.25 sqrt(2 / (g / 2)): published (Huber 1981, efficiency of
# the median)
_MEDIANS_U = 2.5
_MOST_LOG_ODDS = 4.6  # a confidence of 0.99, and no more: our choice
_MOST_SQUARES = 9.0  # no group counts more than three of its uncertainties: our choice
_BIWEIGHT, _ROUNDS = 4.0, 15  # cut-off of Tukey's weights in uncertainties (4.685 in theory), and rounds: our choice


def without_meter_patterns(
    evidence: Evidence, scatter: F64, effect: F64, prevalence: float
) -> tuple[Evidence, tuple[MeterPattern, ...]]:
    """Evidence with the meter's patterns taken out, and the patterns.

    Args:
        evidence: of all groups.
        scatter: (4,) of healthy production, standard deviations in UNITS.
        effect: (4,) how far a cause typically takes a group.
        prevalence: share of packs with a weak group.
    """
    if len(evidence.size) < LEAST_GROUPS:
        return evidence, ()
    shallow = evidence.depth < _LEAST_DEPTH  # charge and meter are one: only a comb shows then
    found: list[MeterPattern] = []
    for _ in range(2):
        kinds = {p.kind for p in found}
        looks = [look(evidence, scatter) for look, kind in ((_comb, "comb"), (_position, "position"))
                 if kind not in kinds and (kind == "comb" or not shallow)]  # fmt: skip
        seen = [(_gain(evidence, scatter, along), pattern, along) for pattern, along in looks if pattern is not None]
        if not seen:
            break
        # The one that explains more comes first: a slope along the string scatters odd and even groups as well.
        _, pattern, along = max(seen, key=lambda one: one[0])
        found.append(pattern)
        size = evidence.size.copy()
        size[:, METER] -= along
        evidence = replace(evidence, size=size - np.median(size, axis=0))
    for _ in range(0 if shallow else _MOST_TAPS):
        tap, cleaned = _tap(evidence, scatter, effect, prevalence)
        if tap is None:
            break
        found.append(tap)
        evidence = cleaned
    return evidence, tuple(found)


def _gain(evidence: Evidence, scatter: F64, along: F64) -> float:
    meter, u = evidence.size[:, METER], np.sqrt(evidence.covariance[:, METER, METER] + scatter[METER] ** 2)
    return _cost(meter, u) - _cost(meter - along, u)


def _comb(evidence: Evidence, scatter: F64) -> tuple[MeterPattern | None, F64]:
    meter = evidence.size[:, METER]
    groups = len(meter)
    comb = float(np.median(meter[0::2]) - np.median(meter[1::2]))
    # By the scatter within the two classes: what all groups' figures share cancels between them.
    left = np.concatenate([part - np.median(part) for part in (meter[0::2], meter[1::2])])
    own = max(float(robust_sigma(left)), 0.5 * float(scatter[METER]))
    u = own * _MEDIANS_U / np.sqrt(groups)
    if abs(comb) <= _COMB_U * u:
        return None, np.zeros(groups)
    text = f"an odd/even comb of {comb:.1f} mV: one offset of the converter, its polarity alternating"
    half = _Z90 * u
    along = np.where(np.arange(groups) % 2 == 0, 0.5, -0.5) * comb
    return MeterPattern("comb", round(comb, 2), round(comb - half, 2), round(comb + half, 2), 0.99, None, (), text), (
        along
    )


def _position(evidence: Evidence, scatter: F64) -> tuple[MeterPattern | None, F64]:
    """A straight line of the meter's offset along the string."""
    meter, groups = evidence.size[:, METER], len(evidence.size)
    u = np.sqrt(evidence.covariance[:, METER, METER] + scatter[METER] ** 2)
    line = course_line(meter, u)
    if line is None:
        return None, np.zeros(groups)
    rise = float(line[-1] - line[0])
    own = float(np.sqrt(1.0 / np.sum(np.linspace(-0.5, 0.5, groups) ** 2 / u**2)))
    gain = _cost(meter, u) - _cost(meter - line, u) - np.log(groups)
    text = f"an offset that rises by {rise:.1f} mV from the first group to the last: leakage in the meter, not cells"
    half = _Z90 * own
    sure = float(1.0 / (1.0 + np.exp(-min(gain / 2, _MOST_LOG_ODDS))))
    pattern = MeterPattern("position", round(rise, 2), round(rise - half, 2), round(rise + half, 2),
                           round(sure, 3), None, (), text)  # fmt: skip
    return pattern, line


def _tap(evidence: Evidence, scatter: F64, effect: F64, prevalence: float) -> tuple[MeterPattern | None, Evidence]:
    """The likeliest bad tap, if it is likelier than what its two groups would otherwise be."""
    size, covariance = evidence.size, evidence.covariance
    groups = len(size)
    healthy = [c + np.diag(scatter**2) for c in covariance]
    single = np.array([_log_mixture(x, h, effect, prevalence / groups) for x, h in zip(size, healthy, strict=True)])
    prior = prevalence * _TAP_SHARE / (groups - 1)
    odds = np.full(groups - 1, -np.inf)
    for k in range(groups - 1):
        both = np.concatenate([size[k], size[k + 1]])
        odds[k] = _log_normal(both, _paired(healthy[k], healthy[k + 1])) + np.log(prior) - single[k] - single[k + 1]
    k = int(np.argmax(odds))
    if odds[k] < _TAP_AHEAD:
        return None, evidence
    precise = [np.linalg.inv(h) for h in healthy[k : k + 2]]
    weight = float(precise[0][METER, METER] + precise[1][METER, METER] + 1.0 / _TAP_MV**2)
    error = float((precise[0] @ size[k])[METER] - (precise[1] @ size[k + 1])[METER]) / weight
    u = 1.0 / np.sqrt(weight)
    confidence = float(1.0 / (1.0 + np.exp(-min(float(odds[k]), _MOST_LOG_ODDS))))
    text = (
        f"tap {k + 1}, between groups {k + 1} and {k + 2}, reads {error:+.1f} mV: what one group gains the other loses,"
        " as a bad divider or sense lead does and cells do not"
    ).replace("-", "\N{MINUS SIGN}")
    pattern = MeterPattern("tap", round(error, 2), round(error - _Z90 * u, 2), round(error + _Z90 * u, 2),
                           round(confidence, 3), k + 1, (k + 1, k + 2), text)  # fmt: skip
    return pattern, _tap_removed(evidence, k, error, u)


def _tap_removed(evidence: Evidence, k: int, error: float, u: float) -> Evidence:
    size, covariance = evidence.size.copy(), evidence.covariance.copy()
    size[k, METER] -= error
    size[k + 1, METER] += error
    covariance[k : k + 2, METER, METER] += u**2
    return replace(evidence, size=size, covariance=covariance)


def _paired(one: F64, other: F64) -> F64:
    """Covariance (8, 8) of two neighbours that share a tap's error with opposite signs."""
    shared = np.zeros(8)
    shared[METER], shared[4 + METER] = _TAP_MV, -_TAP_MV
    total = np.outer(shared, shared)
    total[:4, :4] += one
    total[4:, 4:] += other
    return total


def _log_mixture(x: F64, healthy: F64, effect: F64, chance: float) -> float:
    """Log likelihood of one group: healthy, or one cause, each as likely as the others."""
    logs = [_log_normal(x, healthy) + np.log1p(-chance)]
    for cause, far in enumerate(effect):
        wide = healthy.copy()
        wide[cause, cause] += far**2
        logs.append(_log_normal(x, wide) + np.log(chance / len(effect)))
    return float(np.logaddexp.reduce(logs))


def _log_normal(x: F64, covariance: F64) -> float:
    return float(-0.5 * (np.linalg.slogdet(covariance)[1] + x @ np.linalg.solve(covariance, x)))


def course(values: F64, u: F64) -> F64 | None:
    """A smooth course along the string if it explains more than it costs (BIC); one group cannot bend it.

    Straight, bowed, folded once, or wired to and fro between two rows of which one is warmer, at one end or all along.
    """
    x = np.linspace(-1.0, 1.0, len(values))
    rows = np.where(np.arange(len(values)) % 2, 1.0, -1.0)
    best, kept = _cost(values, u), None
    for shape in (x, x**2 - np.mean(x**2), np.abs(x) - 0.5, rows, rows * x):
        fit = _robust_fit(np.column_stack([np.ones(len(x)), shape]), values, u)
        cost = _cost(values - fit, u) + np.log(len(values))
        if cost < best - (_COURSE_AHEAD if kept is None else 0.0):
            best, kept = cost, fit - np.median(fit)
    return kept


def course_line(values: F64, u: F64) -> F64 | None:
    """A straight line along the string, no group bending it, where it explains far more than it costs; else None."""
    groups = len(values)
    if groups < LEAST_GROUPS:
        return None
    x = np.linspace(-0.5, 0.5, groups)
    fit = _robust_fit(np.column_stack([np.ones(groups), x]), values, u)
    gain = _cost(values, u) - _cost(values - fit, u) - np.log(groups)
    own = float(np.sqrt(1.0 / np.sum(x**2 / u**2)))
    if gain < _LINE_AHEAD or abs(float(fit[-1] - fit[0])) < _LINE_U * own:
        return None
    return np.asarray(fit - np.median(fit))


def _cost(left: F64, u: F64) -> float:
    """Sum of squares in which no group counts more than three of its u."""
    return float(np.sum(np.minimum(((left - np.median(left)) / u) ** 2, _MOST_SQUARES)))


def _robust_fit(design: F64, y: F64, u: F64) -> F64:
    """Tukey's biweight, iterated."""
    weight = np.ones(len(y))
    coefficients: F64 = np.zeros(design.shape[1])
    for _ in range(_ROUNDS):
        w = weight / u
        coefficients = np.asarray(np.linalg.lstsq(design * w[:, None], y * w, rcond=None)[0])
        z = (y - design @ coefficients) / (_BIWEIGHT * u)
        weight = np.where(np.abs(z) < 1.0, 1.0 - z**2, 0.0)
    return np.asarray(design @ coefficients)
