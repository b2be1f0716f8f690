"""OCV curves against the figures of their sources."""

from __future__ import annotations

import numpy as np
import pytest
from evenstring.errors import InputError
from evenstring.ocv import CURVES, OcvCurve, curve, default_curve, slipped

# LG M50, 0 %, 10 % ... 100 %: evaluated from the functions published by Chen et al. 2020, as shipped in pybamm 26.10
LG_M50_V = [2.500, 3.296, 3.485, 3.581, 3.667, 3.751, 3.841, 3.948, 4.042, 4.097, 4.200]


def test_lg_m50_curve_is_the_published_one():
    np.testing.assert_allclose(curve("lg_m50_nmc").voltage_v(np.linspace(0, 1, 11)), LG_M50_V, atol=0.0006)


@pytest.mark.parametrize("name", CURVES)
def test_curves_rise_and_invert_beyond_both_ends_too(name):
    soc = np.linspace(-0.03, 1.03, 1001)
    volts = curve(name).voltage_v(soc)

    assert (np.diff(volts) > 0).all()
    np.testing.assert_allclose(curve(name).soc(volts), soc, atol=1e-9)


@pytest.mark.parametrize("name", CURVES)
def test_slope_is_the_derivative_over_one_percent(name):
    soc = np.linspace(0.05, 0.95, 91)
    c = curve(name)

    np.testing.assert_allclose(c.slope_v(soc), (c.voltage_v(soc + 0.005) - c.voltage_v(soc - 0.005)) / 0.01, rtol=1e-6)


def test_voltage_is_not_charge_the_slope_differs_tenfold_along_a_curve():
    slope = curve("lg_m50_nmc").slope_v(np.linspace(0.02, 1, 99))

    assert slope.max() / slope.min() > 10


def test_a_group_far_below_empty_is_reversed():
    assert curve("lg_m50_nmc").voltage_v(-0.2) == pytest.approx(-0.8)


def test_a_slipped_curve_keeps_its_ends_and_moves_its_middle():
    fresh, aged = curve("lg_m50_nmc"), slipped(curve("lg_m50_nmc"), 0.03)

    assert aged.voltage_v([0.0, 1.0]) == pytest.approx(fresh.voltage_v([0.0, 1.0]))
    assert aged.voltage_v(0.5) == pytest.approx(fresh.voltage_v(0.53))


def test_names_that_are_not_known_are_refused_with_the_known_ones():
    with pytest.raises(InputError, match="lg_m50_nmc"):
        curve("nmc811")
    with pytest.raises(InputError, match="lfp"):
        default_curve("lead")


def test_a_falling_table_is_no_curve():
    with pytest.raises(InputError, match="rise"):
        OcvCurve("bad", np.array([3.0, 2.9]))
