"""Warnings that stand: each rises with what it is about, and goes when that goes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from evenstring.logbook.trends.history import DiscardVisit, History
from evenstring.logbook.trends.points import WEEK_S
from evenstring.logbook.trends.standing import standing
from evenstring.logbook.trends.told import trend_rows

WEEKS = np.arange(40.0)
NOW = float(WEEKS[-1] * WEEK_S) + 7200


def a_history() -> History:
    """Forty weekly full charges of eight even groups."""
    rng = np.random.default_rng(5)
    ones = np.ones(40)
    return History(
        start_s=WEEKS * WEEK_S,
        end_s=WEEKS * WEEK_S + 7200,
        departure_mv=rng.normal(0, 1, (40, 8)),
        departure_sigma_mv=ones,
        resistance=1 + rng.normal(0, 0.02, (40, 8)),
        resistance_sigma=0.02 * ones,
        capacity=1 + rng.normal(0, 0.008, (40, 8)),
        capacity_sigma=0.008 * ones,
        full=np.ones(40, dtype=bool),
        even=ones,
        held_h=2 * ones,
        left_percent=50 * ones,
        cycles=0.5 * ones,
        calibrated_s=0.0,
    )


def kinds(history: History, now_s: float = NOW) -> list[str]:
    return [one.kind for one in standing(history, now_s)]


def test_a_healthy_pack_has_none_and_an_empty_logbook_too() -> None:
    assert kinds(a_history()) == []
    assert kinds(a_history().until(-1.0)) == []


def test_a_discard_visit_stands_until_a_person_gives_a_reason() -> None:
    visit = DiscardVisit(5 * WEEK_S, 3, 0.8)

    assert kinds(replace(a_history(), visits=(visit,))) == ["discard"]
    assert kinds(replace(a_history(), visits=(replace(visit, cleared="group 3 replaced"),))) == []


def test_many_visits_of_a_group_are_one_warning_that_says_the_lowest() -> None:
    visits = [DiscardVisit(k * WEEK_S, 3, volts) for k, volts in ((5, 2.4), (6, 1.1), (9, 2.2))]
    found = standing(replace(a_history(), visits=(DiscardVisit(None, 8, 2.0), *visits)), NOW)

    assert [(one.group, one.since_s) for one in found] == [(3, 5 * WEEK_S), (8, None)]
    assert "at 1.10 V" in found[0].said
    assert "3 times" in found[0].said


def test_a_leak_is_dated_within_its_interval_and_a_group_that_gets_better_is_no_warning() -> None:
    leaking, mended = a_history(), a_history()
    leaking.departure_mv[:, 4] -= 2.0 * np.maximum(WEEKS - 20, 0)
    mended.resistance[:, 4] -= 0.3 * (WEEKS >= 20)

    found = [one for one in standing(leaking, NOW) if one.kind == "change"]

    assert [one.group for one in found] == [5]
    assert found[0].low_s is not None
    assert found[0].high_s is not None
    assert found[0].low_s <= 20 * WEEK_S + 7200 <= found[0].high_s
    assert any(f"by {mv} mV" in found[0].said for mv in (37, 38, 39))
    assert kinds(mended) == []


def test_a_leak_whose_level_balancing_pushes_about_is_dated_as_often_as_promised() -> None:
    """Weekly charges; what a hold brings back differs from week to week and stays until the next."""
    rng = np.random.default_rng(7)
    held = []
    for _ in range(40):
        leaking = a_history()
        begins = rng.uniform(15, 25)
        brought_back = np.cumsum(np.where(begins < WEEKS, rng.normal(0, 1, 40), 0.0))
        leaking.departure_mv[:, 4] -= 4.0 * np.maximum(WEEKS - begins, 0) + brought_back
        one = next(one for one in standing(leaking, NOW) if one.group == 5)
        assert one.low_s is not None
        assert one.high_s is not None
        held.append(one.low_s <= begins * WEEK_S + 7200 <= one.high_s)

    assert np.mean(held) >= 0.9


def test_a_group_that_fell_and_then_stayed_low_is_warned_of_until_it_is_level_again() -> None:
    """Balancing came up with a leak: neither a kink nor a step any more, and 42 mV low all the same."""
    low, mended = a_history(), a_history()
    low.departure_mv[:, 4] -= 3.0 * np.clip(WEEKS - 10, 0, 14)
    mended.departure_mv[:, 4] -= 3.0 * np.clip(WEEKS - 10, 0, 14) * (WEEKS < 34)

    found = [one for one in standing(low, NOW) if one.kind == "change"]

    assert [one.group for one in found] == [5]
    assert any(f"by {mv} mV" in found[0].said for mv in (41, 42, 43))
    assert "change" not in kinds(mended)


def test_a_leak_that_balancing_comes_up_with_is_warned_of_at_every_look_from_then_on() -> None:
    low = a_history()
    low.departure_mv[:, 4] -= 3.0 * np.clip(WEEKS - 10, 0, 14)
    looks = [standing(low.until(week * WEEK_S + 7200), week * WEEK_S + 7200) for week in range(14, 40)]

    assert all([one.group for one in found if one.kind == "change"] == [5] for found in looks)


def test_a_group_that_fades_from_the_first_weeks_on_is_warned_of() -> None:
    fading = a_history()
    fading.capacity[:, 4] -= 0.006 * np.maximum(WEEKS - 5, 0)
    found = [one for one in standing(fading.until(18 * WEEK_S), 18 * WEEK_S) if one.kind == "change"]

    assert [one.group for one in found] == [5]
    assert "less charge" in found[0].said


def test_of_two_groups_the_one_that_fell_farther_comes_first() -> None:
    two = a_history()
    two.departure_mv[:, 2] -= 0.7 * np.maximum(WEEKS - 20, 0)
    two.departure_mv[:, 6] -= 2.0 * np.maximum(WEEKS - 20, 0)

    assert [one.group for one in standing(two, NOW) if one.kind == "change"] == [7, 3]


def test_while_balancing_is_busy_with_a_leak_the_natural_drift_of_healthy_groups_is_no_leak() -> None:
    """As in the invented year: all others bleed alike, so their own drift, 0.5 mV a week standard here, shows too."""
    busy = a_history()
    since = np.maximum(WEEKS - 20, 0)[:, None]
    busy.departure_mv[:] += since * np.array([-0.6, 0.5, 0.3, -3.0, -0.5, 0.6, 0.1, -0.2])

    assert [one.group for one in standing(busy, NOW) if one.kind == "change"] == [4]


def test_a_spread_that_grows_over_half_a_year_outruns_balancing() -> None:
    growing = a_history()
    growing.departure_mv[:, 0] -= 1.0 * WEEKS

    said = next(one for one in standing(growing, NOW) if one.kind == "outruns")

    assert "grew by 1.0 mV a week" in said.said or "grew by 0.9 mV a week" in said.said
    assert said.since_s is None  # a mean over the weeks looked at tells no beginning


def test_the_table_of_trends_stands_where_the_warning_says_the_spread_stands() -> None:
    bent = a_history()
    bent.departure_mv[:, 0] -= 6.0 * np.maximum(WEEKS - 25, 0)

    said = next(one for one in standing(bent, NOW) if one.kind == "outruns").said
    row = next(row for row in trend_rows(bent, ()) if row.what.startswith("spread at the end"))

    assert f"stands at {row.trend.level:.0f} mV" in said


def test_five_uneven_full_charges_stand_and_one_even_one_ends_it() -> None:
    uneven, again = a_history(), a_history()
    uneven.even[-5:] = 0
    again.even[-6:-1] = 0

    assert kinds(uneven) == ["not_even"]
    assert kinds(again) == []


@pytest.mark.parametrize(("left", "kind"), [(95.0, ["stored_full"]), (5.0, ["stored_empty"]), (50.0, [])])
def test_weeks_full_or_empty_stand_and_weeks_at_half_do_not(left: float, kind: list[str]) -> None:
    history = a_history()
    history.left_percent[-1] = left

    assert kinds(history, NOW + 4 * WEEK_S) == kind
    assert kinds(history, NOW + 2 * WEEK_S) == []


def test_a_calibration_of_more_than_a_year_or_without_a_date_stands() -> None:
    assert kinds(a_history(), 60 * WEEK_S) == ["calibration"]
    assert kinds(replace(a_history(), calibrated_s=None)) == ["calibration"]


def test_cycles_are_said_from_500_equivalent_full_ones_on() -> None:
    assert kinds(replace(a_history(), cycles=np.full(40, 12.4))) == []
    assert kinds(replace(a_history(), cycles=np.full(40, 12.6))) == ["cycles"]
