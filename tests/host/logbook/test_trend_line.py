"""The trend of a series: held to a published meta-regression, to scipy, and to its own promise of 95 %."""

from __future__ import annotations

import numpy as np
import pytest
from evenstring.logbook.trends.line import fit, student_t975, trend
from evenstring.logbook.trends.points import WEEK_S, Points, points
from scipy import stats
from scipy.optimize import curve_fit

# Thirteen trials of a vaccine against tuberculosis (Colditz et al., JAMA 271, 1994, 698): vaccinated with and without
# the disease, not vaccinated with and without, degrees of latitude. The handbook example of meta-regression
# (Berkey et al., Statistics in Medicine 14, 1995, 395). Counts from memory; the answer checks them.
TRIALS = np.array(
    [
        (4, 119, 11, 128, 44),
        (6, 300, 29, 274, 55),
        (3, 228, 11, 209, 42),
        (62, 13536, 248, 12619, 52),
        (33, 5036, 47, 5761, 13),
        (180, 1361, 372, 1079, 44),
        (8, 2537, 10, 619, 19),
        (505, 87886, 499, 87892, 13),
        (29, 7470, 45, 7232, 27),
        (17, 1699, 65, 1600, 42),
        (186, 50448, 141, 27197, 18),
        (5, 2493, 3, 2338, 33),
        (27, 16886, 29, 17825, 33),
    ],
    dtype=float,
)


def a_series(rng: np.random.Generator, excess: float, count: int = 25, slope: float = 0.4) -> Points:
    weeks = np.sort(rng.uniform(0, 60, count))
    sigma = rng.uniform(0.5, 2.0, count)
    value = 3 + slope * weeks + rng.normal(0, np.hypot(sigma, excess))
    return points(weeks * WEEK_S, value, sigma)


def test_excess_scatter_and_slope_are_those_of_the_handbook_example() -> None:
    sick, well, sick_without, well_without, latitude = TRIALS.T
    ratio = np.log(sick / (sick + well)) - np.log(sick_without / (sick_without + well_without))
    variance = 1 / sick - 1 / (sick + well) + 1 / sick_without - 1 / (sick_without + well_without)

    plain = fit(np.ones((13, 1)), ratio, np.sqrt(variance))
    sloped = fit(np.column_stack((np.ones(13), latitude)), ratio, np.sqrt(variance))

    # DerSimonian and Laird: tau² 0.3088, mean -0.7141; with latitude 0.0633 and -0.0292 (figures from memory).
    assert plain.excess_variance == pytest.approx(0.3088, abs=5e-5)
    assert plain.coefficients[0] == pytest.approx(-0.7141, abs=5e-5)
    assert sloped.excess_variance == pytest.approx(0.0633, abs=5e-5)
    assert sloped.coefficients[1] == pytest.approx(-0.0292, abs=5e-5)


def test_without_excess_scatter_the_line_is_scipys_weighted_least_squares() -> None:
    weeks, sigma = np.arange(12.0), np.linspace(1, 3, 12)
    value = 5 - 0.2 * weeks + 0.3 * sigma * np.where(weeks % 2, 1, -1)  # scatters less than sigma says

    made = fit(np.column_stack((np.ones(12), weeks)), value, sigma)
    theirs, covariance = curve_fit(lambda x, a, b: a + b * x, weeks, value, sigma=sigma, absolute_sigma=True)

    assert made.excess_variance == 0
    assert made.coefficients == pytest.approx(theirs)
    assert made.covariance == pytest.approx(covariance, rel=1e-5)


@pytest.mark.parametrize("freedom", [1, 2, 3, 4, 7, 20, 200])
def test_the_quantile_of_student_is_scipys(freedom: int) -> None:
    assert student_t975(freedom) == pytest.approx(stats.t.ppf(0.975, freedom), rel=5e-3)


@pytest.mark.parametrize("excess", [0.0, 3.0])
def test_the_interval_of_a_trend_holds_the_truth_in_95_of_100(excess: float) -> None:
    rng = np.random.default_rng(11)
    held = [made.low <= 0.4 <= made.high for _ in range(600) if (made := trend(a_series(rng, excess)))]

    assert 0.93 <= np.mean(held) <= 0.985


def test_what_is_not_known_is_left_out_and_order_does_not_matter() -> None:
    series = points([3, 1, np.nan, 2, 4], [30, 10, 5, np.inf, 40], [1, 1, 1, 1, 0])

    assert series.time_s.tolist() == [1, 3]
    assert series.value.tolist() == [10, 30]


def test_three_points_or_one_time_make_no_trend() -> None:
    assert trend(points([1, 2, 3], [1, 2, 3], 1.0)) is None
    assert trend(points([5, 5, 5, 5, 5], [1, 2, 3, 4, 5], 1.0)) is None
