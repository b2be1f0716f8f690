"""OCV curves against the figures of their sources."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from evenstring import ocv
from evenstring.errors import InputError
from evenstring.ocv import CURVES, OcvCurve, curve, default_curve, mean_voltage_v, slipped
from scipy.interpolate import PchipInterpolator  # type: ignore[import-untyped]

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


@pytest.mark.parametrize("name", CURVES)
def test_a_curve_between_its_nodes_is_scipys_pchip(name):
    """scipy.interpolate.PchipInterpolator is the outside reference, to the last digit and at the ends too."""
    table = np.genfromtxt(Path(ocv.__file__).parent / "curves" / "curves.csv", delimiter=",", names=True)
    soc = np.linspace(0.0, 1.0, len(curve(name).table_v))

    np.testing.assert_allclose(curve(name).table_v, PchipInterpolator(table["soc"], table[name])(soc), atol=1e-12)


def test_every_curve_belongs_to_one_chemistry_and_no_column_lies_idle():
    header = (Path(ocv.__file__).parent / "curves" / "curves.csv").read_text().splitlines()[0].split(",")

    assert sorted(header[1:]) == sorted(CURVES)
    assert len(set(CURVES)) == len(CURVES)


def test_the_sodium_cell_is_the_published_one_within_its_limits():
    """Chayambuka et al. 2022 as in pybamm 26.10: 4.2 and 2.0 V at the ends; plateaus of NVPF about 4.1 and 3.6 V."""
    cell = curve("chayambuka_nvpf")

    assert cell.voltage_v([0.0, 1.0]) == pytest.approx([2.0, 4.2], abs=0.005)
    assert cell.slope_v(np.linspace(0.4, 0.6, 41)).max() > 8 * cell.slope_v(0.75)  # a step between two plateaus


def test_titanate_lies_its_own_potential_below_the_same_positive_electrode():
    """1.55 V against lithium (from memory): a full titanate cell is at 4.25 V of its positive electrode."""
    lto = curve("mohtat_lto")

    assert lto.voltage_v([0.0, 1.0]) == pytest.approx([1.80, 2.70], abs=0.001)
    assert 2.2 < mean_voltage_v(lto) < 2.4  # sold as 2.3 or 2.4 V (from memory)
