"""A gap in charge that rests show: as many millivolts as 1 % makes there, where a meter is off by the same at all."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from evenstring.analysis.causes.evidence.charge_by_rests import as_charge_by_rests, as_rests_have_it
from evenstring.analysis.causes.evidence.estimates import nothing_known
from evenstring.analysis.causes.evidence.rests import SeenAtRest, reaching_to
from evenstring.analysis.results import Weakness

OPEN = Weakness(
    group=3, cause="cannot_tell", size=-14.0, unit="mV", confidence=0.9, size_low=-16.0, size_high=-12.0,
    abnormal=0.95, detail="", probabilities=(),
)  # fmt: skip


def rest(away_mv: float, percent_mv: float, *, u_mv: float = 1.0, after_charge: bool = False) -> SeenAtRest:
    """Of group 3; 1 % of charge makes `percent_mv`."""
    away = np.array([0.3, -0.3, away_mv, 0.0, 0.2])
    return SeenAtRest(away, np.full(5, u_mv), 1800.0, 3.8, 0.6, percent_mv, 0.15, after_charge, True)


@pytest.mark.parametrize("percent", [-2.5, 2.5])
def test_rests_that_agree_in_charge_and_not_in_millivolts_show_a_gap_in_charge(percent: float) -> None:
    rests = rest(4.0 * percent, 4.0), rest(12.0 * percent, 12.0, after_charge=True)

    found = as_charge_by_rests(OPEN, rests)

    assert (found.cause, found.unit, found.confidence) == ("charge_offset", "%", 0.75)
    assert found.size == pytest.approx(percent, abs=1e-3)
    assert found.size_low < percent < found.size_high


def test_one_rest_beyond_what_a_meter_is_off_by_is_enough() -> None:
    assert as_charge_by_rests(OPEN, (rest(-30.0, 10.0),)).size == pytest.approx(-3.0)
    assert as_charge_by_rests(OPEN, (rest(-11.0, 10.0),)) == OPEN


@pytest.mark.parametrize(
    "rests",
    [
        (rest(-11.0, 4.0), rest(-11.0, 12.0)),
        (rest(-15.0, 4.0), rest(-15.0, 12.0)),
        (rest(-30.0, 10.0), rest(14.0, 12.0)),
        (rest(-30.0, 10.0), rest(0.0, 12.0)),
        (rest(-30.0, 10.0, u_mv=16.0),),
        (rest(30.0, 10.0, after_charge=True),),
        (),
    ],
    ids=[
        "a meter",
        "a meter far off",
        "to both sides",
        "level at the other",
        "hardly known",
        "small at the top",
        "none",
    ],
)
def test_what_rests_do_not_show_stays_open(rests: tuple[SeenAtRest, ...]) -> None:
    """At the top a group with less capacity stands above as one with more charge does."""
    assert as_charge_by_rests(OPEN, rests) == OPEN


@pytest.mark.parametrize(
    "said",
    [replace(OPEN, cause="low_capacity"), replace(OPEN, abnormal=0.3), replace(OPEN, within_scatter=True)],
    ids=["a cause is named", "hardly stands out", "within scatter"],
)
def test_only_what_stands_out_without_a_cause_is_asked(said: Weakness) -> None:
    assert as_charge_by_rests(said, (rest(-30.0, 10.0),)) == said


def test_an_interval_reaches_to_what_each_rest_makes_of_a_gap() -> None:
    """Six of nine gaps in charge on published cells lay outside theirs by the slope of one place."""
    told = replace(OPEN, cause="charge_offset", size=-2.8, size_low=-5.0, size_high=-1.5, unit="%")
    rests = rest(-31.2, 12.0), rest(-75.0, 12.5), rest(-100.0, 10.0, after_charge=True), rest(9.0, 10.0)

    found = reaching_to(told, rests)

    assert (found.size, found.size_low, found.size_high) == (-2.8, -6.0, -1.5)
    assert reaching_to(OPEN, rests) == OPEN


@pytest.mark.parametrize("has_steps", [False, True])
def test_a_meter_that_the_steps_of_a_load_told_stays_the_meter(has_steps: bool) -> None:
    """By hand: 5 mV of meter, and 0.8 % less capacity at 9 mV a percent of charge, when it is nearly empty."""
    told, rests = replace(OPEN, cause="meter_offset", size=-5.0), (rest(-5.3, 5.8), rest(-13.0, 9.3))

    found = as_rests_have_it(told, rests, rests, replace(nothing_known(5), has_steps=has_steps))

    assert (found == told) is has_steps
