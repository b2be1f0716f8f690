"""What the reading of a spread near its target leaves open of the time, worked by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest
from evenstring.analysis.balancing.as_read import kept_to_reading
from evenstring.analysis.results import Balancing, SpreadClaim

SAID = Balancing("converging", 4.0, 1.0, 3600.0, 1800.0, 5400.0, "time", spread_mv=14.0)


def read(low_mv: float, best_mv: float, high_mv: float) -> SpreadClaim:
    return SpreadClaim("cv_end", 0.0, best_mv, best_mv, low_mv, high_mv, 20)


def test_where_the_reading_reaches_down_to_the_target_it_is_about_reached_and_ends_by_what_it_may_be_above() -> None:
    """By hand: 16 mV at most are 6 above the target; at 3 mV an hour, drawn out by a quarter, that is 2.5 h."""
    found = kept_to_reading(SAID, read(9.0, 12.5, 16.0))

    assert (found.state, found.answer, found.remaining_s, found.remaining_low_s) == ("converging", "time", 0.0, 0.0)
    assert found.remaining_high_s == pytest.approx(2.5 * 3600.0)


def test_near_to_it_the_interval_is_no_narrower_than_the_readings() -> None:
    """By hand: 2 mV above at least, at 5 mV an hour, are 24 min; 8 mV at most, at 3 and a quarter more, 3.3 h."""
    found = kept_to_reading(SAID, read(12.0, 15.0, 18.0))

    assert found.remaining_s == SAID.remaining_s
    assert found.remaining_low_s == pytest.approx(24 * 60.0)
    assert found.remaining_high_s == pytest.approx(10.0 / 3.0 * 3600.0)


@pytest.mark.parametrize("rate", [0.5, 0.0, -1.0])
def test_at_a_rate_that_may_be_none_there_is_no_upper_end(rate: float) -> None:
    assert kept_to_reading(replace(SAID, rate_mv_per_h=rate), read(9.0, 12.5, 16.0)).remaining_high_s is None


@pytest.mark.parametrize(
    ("found", "spread"),
    [
        (SAID, read(26.0, 29.0, 32.0)),
        (replace(SAID, state="balanced", remaining_s=0.0), read(5.0, 7.0, 9.5)),
        (SAID.without_time("never", "not_converging", "so"), read(9.0, 12.5, 16.0)),
    ],
    ids=["far above", "surely below", "never"],
)
def test_elsewhere_it_stays_as_it_is(found: Balancing, spread: SpreadClaim) -> None:
    assert kept_to_reading(found, spread) == found
