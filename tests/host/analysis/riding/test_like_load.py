"""Which string sags most under a like load: against Ohm's law, with currents and without."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from evenstring.analysis.results import Phase, Unknown
from evenstring.analysis.riding.like_load import LikeLoad, Ridden, find_like_load
from evenstring.session import Session

START = datetime(2026, 3, 1, 7, tzinfo=UTC)


def ridden(
    ohm: float, hardest_a: float = 30.0, later_s: float = 0.0, sensor: bool = True, load: int = 1, seed: int = 1
) -> Ridden:
    """1,200 s of pulls of up to `hardest_a`, 12 groups of `ohm` and nothing else; the same `load`, the same pulls."""
    pulls_a = hardest_a * np.repeat(np.random.default_rng(load).choice([0.0, 0.3, 1.0], 120), 10)
    noise_v = 0.0005 * np.random.default_rng([seed, round(1e6 * ohm)]).standard_normal((1200, 12))
    volts = (3.7 - pulls_a[:, None] * ohm + noise_v).astype(np.float32)
    session = Session(
        np.arange(1200.0), volts, np.zeros(volts.shape, np.uint8), np.zeros(1200, np.float32),
        current_a=-pulls_a.astype(np.float32), start=START + timedelta(seconds=later_s),
    )  # fmt: skip
    return Ridden(session if sensor else replace(session, current_a=None), (Phase("ride", 0.0, 1199.0),))


def found(*strings: Ridden) -> LikeLoad:
    got = find_like_load(strings)
    assert isinstance(got, LikeLoad)
    return got


def test_with_currents_it_is_ohms_law_at_the_hardest_current_that_both_saw() -> None:
    """10 and 14 mohm, one ridden to 40 A and one to 25 A on other days: at 25 A 250 and 350 mV."""
    got = found(ridden(0.010, 40.0), ridden(0.014, 25.0, later_s=86_400, load=2))

    assert got.current_a == pytest.approx(25.0, rel=0.02)
    assert got.sag_mv == pytest.approx((250.0, 350.0), rel=0.03)
    assert got.most == 1


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("sensor", [True, False], ids=["with current", "without"])
def test_strings_of_one_resistance_are_not_told_apart(sensor: bool, seed: int) -> None:
    got = found(ridden(0.0101, sensor=sensor, seed=seed), ridden(0.0100, sensor=sensor, seed=seed + 50))

    assert got.most is None


@pytest.mark.parametrize("clock_s", [0.0, 1.5], ids=["clocks agree", "clocks 1.5 s apart"])
def test_without_a_current_what_both_did_at_one_time_is_compared(clock_s: float) -> None:
    """The same 30 A through 9 and 12 mohm: sags as 3 to 4."""
    got = found(ridden(0.009, sensor=False), ridden(0.012, sensor=False, later_s=clock_s))

    assert got.current_a is None
    assert got.sag_mv[1] / got.sag_mv[0] == pytest.approx(4 / 3, rel=0.03)
    assert got.most == 1


@pytest.mark.parametrize(
    "other", [ridden(0.012, sensor=False, later_s=86_400), ridden(0.012, sensor=False, load=2)], ids=["days", "loads"]
)
def test_of_two_days_or_two_loads_without_current_nothing_is_said(other: Ridden) -> None:
    got = find_like_load([ridden(0.010), other])

    assert isinstance(got, Unknown)
    assert "current sensor" in got.why
