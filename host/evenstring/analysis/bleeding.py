"""Which groups bleed, and how fast their charge falls against the others: one rate for all that bleed.

Each group comes with fitted coefficients (its rate, and two terms that die away after the taper) and their covariance.
They are explained together: groups above a cut in height bleed, all at one rate r; the dying terms are a common share
of each group's height (the curve's slope changes as the pack fills) plus what resistances differ by. For every cut, and
for none, generalised least squares with normal priors gives r and a marginal likelihood; boards let the groups near
the lowest alone, so cuts elsewhere cost. The most likely explanation is taken.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Rates", "part_rates"]

F64 = NDArray[np.float64]
_CURVE_SHARE = 0.5  # of a height: how far the dying terms may change it, standard deviation
_OWN_SHARE = 0.2  # the same, but unlike from group to group
_ALONE_V, _ALONE_U_V = (
    0.005,
    0.0025,
)  # boards leave groups this near to the lowest alone; meter and board differ by this
_MOST_COST = 12.0  # of one group on the wrong side of a cut: a dead or stuck bleeder is possible
_NONE_ODDS = float(np.log(0.1))  # all or none bleed, before the data are seen
_UNEVEN = 0.24  # relative: bleed currents and capacities differ, the curve is not the cells' own (tuned for coverage)
_OWN_V_H = 0.3e-3  # a group's own wander


@dataclass(frozen=True, slots=True, eq=False)
class Rates:
    """(g,) rates of change of height, V/h; standard uncertainty of the two classes' difference; who bleeds."""

    rate_v_h: F64
    step_u_v_h: float
    bleeding: NDArray[np.bool_]


def part_rates(found: F64, covariance: F64, height_v: F64, resistive_v: float, expected: tuple[float, float]) -> Rates:
    """Explain rates.

    Args:
        found: (3, g) rate in V/h and the two dying terms in V.
        covariance: (g, 3, 3) of these.
        height_v: (g,) departures at the end.
        resistive_v: standard deviation of the dying terms by unlike resistances.
        expected: rate that the profile's bleed current would make, V/h, and its relative uncertainty.
    """
    own = resistive_v**2 + (_OWN_SHARE * height_v) ** 2
    weights = [np.linalg.inv(c + np.diag([_OWN_V_H**2, v, v])) for c, v in zip(covariance, own, strict=True)]
    centre, width = expected[0], expected[1] * expected[0]
    order = np.argsort(height_v)
    none = np.zeros(len(height_v), dtype=bool)
    best = _explain(found, weights, height_v, none, (0.0, 1e-9))
    best_score, best_bleeding = best[2] + _NONE_ODDS, none
    for k in range(1, len(order)):
        bleeding = none.copy()
        bleeding[order[k:]] = True
        tried = _explain(found, weights, height_v, bleeding, (centre, width))
        score = tried[2] - _cost(height_v, bleeding) - np.log(3.0)
        if score > best_score and tried[0] > 0:
            best, best_score, best_bleeding = tried, score, bleeding
    step, step_u, _ = best
    shift = -step * (best_bleeding - best_bleeding.mean())
    return Rates(shift, float(np.hypot(step_u, _UNEVEN * step)), best_bleeding)


def _explain(
    found: F64, weights: list[F64], height_v: F64, bleeding: NDArray[np.bool_], prior: tuple[float, float]
) -> tuple[float, float, float]:
    """Rate r, its standard uncertainty, log marginal likelihood (but for a constant) of one explanation."""
    centred = bleeding - bleeding.mean()
    precision = np.diag([1.0 / prior[1] ** 2, 1.0 / _CURVE_SHARE**2, 1.0 / _CURVE_SHARE**2])
    mean = np.array([prior[0], 0.0, 0.0])
    total, right, square = precision.copy(), precision @ mean, float(mean @ precision @ mean)
    for g, weight in enumerate(weights):
        design = np.diag([-centred[g], height_v[g], height_v[g]])
        total += design.T @ weight @ design
        right = right + design.T @ weight @ found[:, g]
        square += float(found[:, g] @ weight @ found[:, g])
    value = np.linalg.solve(total, right)
    likelihood = -0.5 * (square - float(right @ value)) + 0.5 * float(
        np.linalg.slogdet(precision)[1] - np.linalg.slogdet(total)[1]
    )
    return float(value[0]), float(np.sqrt(np.linalg.inv(total)[0, 0])), likelihood


def _cost(height_v: F64, bleeding: NDArray[np.bool_]) -> float:
    """What a cut costs: groups well above the lowest that do not bleed, groups near it that do."""
    above = height_v - height_v.min() - _ALONE_V
    wrong = np.where(bleeding, np.maximum(-above, 0.0), np.maximum(above, 0.0)) / _ALONE_U_V
    return float(np.minimum(0.5 * wrong**2, _MOST_COST).sum())
