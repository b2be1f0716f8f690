"""Uncertainty and statistics against libraries of others: GTC (GUM, JCGM 100:2008) and scipy."""

from __future__ import annotations

import numpy as np
import pytest
from evenstring.analysis.series.uncertainty import MeterError, draw_departures
from GTC import uncertainty, ureal
from scipy import integrate, stats


def test_a_gain_that_all_groups_share_cancels_in_the_difference_as_in_gtc() -> None:
    meter = MeterError(noise_v=0.0005, channel_v=0.001, gain=0.002, resolution_v=0.0, assumed=())
    gain = ureal(1.0, meter.gain)
    one, other = (gain * (v + ureal(0.0, meter.channel_v) + ureal(0.0, meter.noise_v)) for v in (4.20, 4.18))

    ours = np.sqrt(2.0) * meter.one_v()

    assert uncertainty(one - other) == pytest.approx(ours, rel=2e-3)  # GTC keeps the 0.04 mV of gain on 20 mV
    assert uncertainty(one) == pytest.approx(meter.absolute_v(4.20), rel=1e-3)


def test_draws_of_a_wide_string_spread_as_normal_theory_says() -> None:
    """With a prior far wider than the meter, a draw is the reading plus the meter's error: checked on one group."""
    rng = np.random.default_rng(8)
    readings = np.linspace(-0.2, 0.2, 25)

    draws = draw_departures(readings, 0.001, rng, draws=4000)

    assert stats.kstest((draws[:, 3] - readings[3]) / 0.001, "norm").pvalue > 0.001


def test_bias_of_the_range_of_an_even_string_is_the_one_of_normal_samples() -> None:
    """Mean range of n normal values by integration, integral of 1 - F^n - (1-F)^n (scipy): what has to be taken out."""
    n, u = 24, 0.001
    mean_range, _ = integrate.quad(lambda x: 1 - stats.norm.cdf(x) ** n - stats.norm.sf(x) ** n, -8, 8)
    rng = np.random.default_rng(9)
    left = []
    for _ in range(100):
        reading = u * rng.standard_normal(n)
        draws = draw_departures(reading, u, rng, draws=300)
        left.append(np.ptp(reading) - np.median(np.ptp(draws, axis=1)))

    assert mean_range == pytest.approx(3.895, abs=0.01)  # tables of d2 for n = 24 give 3.895
    assert np.mean(left) > 0.4 * mean_range * u
