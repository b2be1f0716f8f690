"""A trend a week with its interval, where points scatter more than their own uncertainty says.

The model is that of random-effects meta-regression: value = a + b t + what differs from recording to recording
(variance tau²) + what the meter adds (variance sigma², known). tau² by the method of moments of DerSimonian and Laird
(Controlled Clinical Trials 7, 1986, 177), here for any columns, as in Raudenbush's chapter of the Handbook of Research
Synthesis; the interval by Student's t with the scale of Knapp and Hartung (Statistics in Medicine 22, 2003, 2693),
never below 1, so that an accident of few points does not make it narrow.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenstring.logbook.trends.points import WEEK_S, Points

__all__ = ["Fit", "Trend", "fit", "student_t975", "trend"]

F64 = NDArray[np.float64]
_LEAST = 4  # points of a trend: two of them are used up by the line; our choice


@dataclass(frozen=True, slots=True)
class Trend:
    """A straight line through a series."""

    a_week: float  # unit of the series, a week
    low: float  # 95 % interval of that
    high: float
    level: float  # where the line stands at the last point
    level_sigma: float
    excess: float  # scatter between recordings beyond the meter's, 1 sigma
    count: int
    start_s: float
    end_s: float

    @property
    def clear(self) -> bool:
        """Whether the interval leaves out no change."""
        return self.low > 0 or self.high < 0


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """Weighted least squares with excess scatter."""

    coefficients: F64  # (columns,)
    covariance: F64  # (columns, columns), without the scale of Knapp and Hartung
    excess_variance: float
    scale: float  # weighted residual sum of squares a degree of freedom


def trend(series: Points) -> Trend | None:
    """The line through a series; None below four points or where all stand at one time."""
    if len(series) < _LEAST or series.time_s[-1] <= series.time_s[0]:
        return None
    weeks = (series.time_s - series.time_s[-1]) / WEEK_S
    made = fit(np.column_stack((np.ones(len(series)), weeks)), series.value, series.sigma)
    spread = math.sqrt(max(made.scale, 1.0))
    level_sigma, slope_sigma = (spread * math.sqrt(made.covariance[k, k]) for k in (0, 1))
    level, slope = (float(c) for c in made.coefficients)
    reach = student_t975(len(series) - 2) * slope_sigma
    excess = math.sqrt(made.excess_variance)
    start_s, end_s = float(series.time_s[0]), float(series.time_s[-1])
    return Trend(slope, slope - reach, slope + reach, level, level_sigma, excess, len(series), start_s, end_s)


def fit(columns: F64, value: F64, sigma: F64) -> Fit:
    """Weights by the meter alone give tau²; weights with tau² give the answer.

    Args:
        columns: (n, k), k below n.
        value: (n,).
        sigma: (n,).
    """
    free = len(value) - columns.shape[1]
    fixed = 1.0 / sigma**2
    coefficients, covariance, chi2 = _weighted(columns, value, fixed)
    # Expected chi² is free + tau² (tr W − tr[(XᵀWX)⁻¹ XᵀW²X]).
    trace = float(fixed.sum() - fixed**2 @ ((columns @ covariance) * columns).sum(axis=1))
    excess = max((chi2 - free) / trace, 0.0) if trace > 0 else 0.0
    coefficients, covariance, chi2 = _weighted(columns, value, 1.0 / (sigma**2 + excess))
    return Fit(coefficients, covariance, excess, chi2 / free)


def _weighted(columns: F64, value: F64, weight: F64) -> tuple[F64, F64, float]:
    heavy = columns * weight[:, None]
    covariance = np.asarray(np.linalg.inv(columns.T @ heavy), dtype=np.float64)
    coefficients = covariance @ (heavy.T @ value)
    chi2 = float(weight @ (value - columns @ coefficients) ** 2)
    return coefficients, covariance, chi2


def student_t975(freedom: int) -> float:
    """97.5 % quantile of Student's t: Abramowitz and Stegun 26.7.5; 1 and 2 degrees of freedom exactly.

    Published; within 0.5 % from 3 degrees of freedom up.
    """
    if freedom <= 2:
        return {1: 12.7062, 2: 4.30265}.get(freedom, math.inf)
    z, v = 1.959964, float(freedom)
    first = (z**3 + z) / 4
    second = (5 * z**5 + 16 * z**3 + 3 * z) / 96
    third = (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / 384
    fourth = (79 * z**9 + 776 * z**7 + 1482 * z**5 - 1920 * z**3 - 945 * z) / 92160
    return z + first / v + second / v**2 + third / v**3 + fourth / v**4
