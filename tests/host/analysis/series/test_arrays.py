"""Scatter, noise and lines: each has one home, and outside libraries say the same."""

from __future__ import annotations

import numpy as np
import pytest
from evenstring.analysis.series.arrays import middle_sigma, robust_sigma, white_noise
from evenstring.analysis.series.lines import line_through, slope_u
from scipy.stats import iqr, linregress, median_abs_deviation


@pytest.mark.parametrize("seed", range(4))
def test_robust_scatter_is_scipys(seed: int) -> None:
    values = np.random.default_rng(seed).standard_t(3, (40, 3))
    centred = values - np.median(values, axis=0)

    assert robust_sigma(centred) == pytest.approx(median_abs_deviation(values, scale="normal"), rel=1e-4)
    assert middle_sigma(values[:, 0]) == pytest.approx(iqr(values[:, 0], scale="normal"), rel=1e-4)


def test_noise_is_that_of_the_quiet_part_however_loud_the_rest_is() -> None:
    rng = np.random.default_rng(5)
    ramp = np.linspace(3.6, 4.1, 4000)
    quiet = ramp + rng.normal(0.0, 0.0005, 4000)
    loud = quiet.copy()
    loud[:1000] += rng.normal(0.0, 0.05, 1000)

    assert white_noise(quiet) == pytest.approx(0.0005, rel=0.06)
    assert white_noise(loud) == pytest.approx(0.0005, rel=0.5)
    assert white_noise(np.full(2, np.nan)) == 0.0


@pytest.mark.parametrize("seed", range(4))
def test_the_line_is_scipys_and_its_slope_as_uncertain_as_scipy_says(seed: int) -> None:
    rng = np.random.default_rng(seed)
    x = 1e5 + np.arange(400.0)
    y = 3.9 + 1e-5 * (x - 1e5) + rng.normal(0.0, 0.001, 400)

    ours, theirs = line_through(x, y), linregress(x, y)

    assert ours.slope == pytest.approx(theirs.slope, rel=1e-9)
    assert ours.start == pytest.approx(theirs.intercept, rel=1e-9)
    assert ours.at(x[-1]) == pytest.approx(theirs.intercept + theirs.slope * x[-1], rel=1e-9)
    assert ours.squares_left == pytest.approx(float(np.sum((y - theirs.intercept - theirs.slope * x) ** 2)), rel=1e-6)
    assert slope_u(0.001, x) == pytest.approx(theirs.stderr, rel=0.12)  # which estimates the noise from 400 rows
