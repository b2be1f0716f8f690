"""Habits over a year against figures by hand; what a display can tell; ageing against the paper's own formula."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from evenstring.cli import cli
from evenstring.plan import habits
from evenstring.plan.ageing import capacity_lost
from evenstring.plan.answer import Asked, Plan, dated
from evenstring.plan.display import told_by_display
from evenstring.plan.habits import HABITS, FirstDay, Outlook, first_day, interval, least_balancing, outlooks
from evenstring.plan.plan_page import plan_page
from evenstring.plan.state import PackState
from evenstring.sim.run.daily_habit import Habit

from tests.benchmarks.plan_marks import marks

GROUPS, CAPACITY_AH = 12, 20.0


def pack(leak_per_week: float = 0.0, bleed_a: float = 0.05, leak_u: float = 1e-6) -> PackState:
    """Group 5 leaks, nothing else differs."""
    leak = np.zeros(GROUPS)
    leak[4] = leak_per_week
    even, sure = np.zeros(GROUPS), np.full(GROUPS, leak_u)
    return PackState("nmc", CAPACITY_AH, 4.2, 4.25, 4.18, even, 1e-5, leak, sure, bleed_a, 1e-4)


@cache
def with_a_leak() -> tuple[Outlook, ...]:
    """What several tests look at: 0.2 % a week."""
    return outlooks(pack(0.002))


def after_a_year(ahead: tuple[Outlook, ...]) -> dict[str, float]:
    return {o.name: float(o.spread_mv[-1, 1]) for o in ahead}


@pytest.mark.slow
@pytest.mark.parametrize(("factor", "kept"), [(0.7, False), (1.4, True)])
def test_a_bleed_above_that_keeps_a_pack_even_and_one_below_does_not(
    factor: float, kept: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Andrea 2010 (cited from memory): bleed = leakage difference / share of time; 5 mA with 4 h a day need 30 mA."""
    leak_a = 0.005
    state = pack(leak_a * 168.0 / CAPACITY_AH, bleed_a=factor * leak_a / (4.0 / 24.0))

    monkeypatch.setattr(habits, "HABITS", HABITS[:1])  # the others take as long, and are not asked about
    assert (after_a_year(outlooks(state, 4.0))["full each time"] < 30.0) == kept


@pytest.mark.slow
def test_the_less_often_it_is_full_the_wider_it_gets() -> None:
    found = after_a_year(with_a_leak())

    assert found["full each time"] <= found["full every fifth time"] + 0.5 <= found["full every tenth time"] + 1.0
    assert found["always stopped at 80 %"] > 3.0 * found["full every tenth time"]


@pytest.mark.slow
def test_one_recording_gives_wider_intervals_than_two() -> None:
    unknown = replace(pack(0.002), leak=None, leak_u=None)

    def width(ahead: tuple[Outlook, ...]) -> float:
        low, _, high = ahead[3].spread_mv[-1]
        return float(high - low)

    assert width(outlooks(unknown)) > 2.0 * width(with_a_leak())


@pytest.mark.slow
def test_the_least_balancing_keeps_the_spread_and_none_is_said_where_none_does() -> None:
    found = least_balancing(pack(0.002), 30.0)

    assert found is not None
    assert found.full_every >= 1
    assert least_balancing(pack(0.2, bleed_a=0.01), 10.0) is None


@pytest.mark.slow
def test_the_interval_holds_on_packs_that_are_known_as_a_meter_would_tell() -> None:
    """A share of `tests.benchmarks.plan_marks`; two packs tell no more than that it is not far off."""
    found = marks(2, 77)

    assert found.inside >= 0.6
    assert found.in_order == 1.0


def test_nine_in_ten_of_what_is_drawn_next_lie_inside_the_interval_of_a_hundred_draws() -> None:
    """By arithmetic: the next of n + 1 alike draws is equally likely at each place among them."""
    drawn = np.random.default_rng(3).standard_normal((20_000, 101))
    low, _, high = interval(drawn[:, :100]).T

    assert float(np.mean((low <= drawn[:, 100]) & (drawn[:, 100] <= high))) == pytest.approx(0.9, abs=0.008)


def test_a_first_day_is_that_of_the_middle_pack_and_none_where_it_never_comes() -> None:
    """Ten packs by hand: from day 3, 4, ... 8 on, and four never."""
    happens = np.zeros((20, 10), bool)
    for pack_number, day in enumerate(range(3, 9)):
        happens[day - 1 :, pack_number] = True

    found = first_day(happens)

    assert (found.low, found.middle, found.high, found.chance) == (3, 7, None, 0.6)
    assert first_day(np.zeros((20, 10), bool)) == FirstDay(None, None, None, 0.0)


def test_first_days_are_said_with_their_interval_and_what_seldom_comes_is_not_within_a_year() -> None:
    start_s = 1_767_225_600.0  # 2026-01-01

    assert dated(FirstDay(31, 59, None, 0.9), start_s) == "2026-03-01 (2026-02-01 to later than a year)"
    assert dated(FirstDay(31, 59, 90, 1.0), None) == "day 59 (day 31 to day 90)"
    assert dated(FirstDay(31, None, None, 0.2), start_s) == "perhaps: in 20 of 100 packs like this, within a year"
    assert dated(FirstDay(None, None, None, 0.04), start_s) == "not within a year"


@pytest.mark.slow
def test_a_leak_that_nobody_balances_gets_a_group_to_empty_on_the_day_that_the_sum_by_hand_says() -> None:
    """From 80 % a ride of 30 % ends at 50 %. A group that loses 1 % a week more is 50 % behind after 350 days.

    With no sag it is at 3.0 V when the charge is gone: the curve is at 3.0 V within 3 % of empty. A group at empty
    comes sooner the deeper it sags, and never where each charge is held.
    """
    state = replace(pack(0.01), sag_v=0.0, sag_u=1e-6, capacity_u=1e-6)
    by_name = {o.name: o for o in outlooks(state)}
    sagging = {o.name: o for o in outlooks(replace(state, sag_v=0.3))}
    stopped = by_name["always stopped at 80 %"].empty

    assert stopped.middle == pytest.approx(350, abs=25)
    assert (sagging["always stopped at 80 %"].empty.middle or 999) < (stopped.middle or 999) - 20
    assert by_name["full each time"].empty.middle is None


def planned(state: PackState) -> Plan:
    """As `made_plan`, with a least balancing that was not searched for."""
    asked = Asked(2.0, 0.3, 30.0)
    return Plan(state, asked, outlooks(state, asked.hold_h, asked.ride_share), Habit(full_every=10, hold_h=1.0))


@pytest.mark.slow
def test_the_page_says_the_next_charge_first_then_the_habits_then_ageing_and_is_self_contained() -> None:
    state = replace(pack(0.002), start_s=1_767_225_600.0)  # 2026-01-01
    page = plan_page(planned(state), "<b>Mine</b>")
    first = page[page.index("<main>") : page.index("</header>")]

    assert "Next charge:" in first
    assert "Stay with a pack while it charges" in first
    assert page.index("Habits side by side") < page.index("Ageing beside drift") < page.index("Cautions")
    assert page.count("<svg") == 3
    assert "2026-" in page
    assert "<b>Mine" not in page
    assert not re.search(r"""(src|href)=["']?https?:""", page)


@pytest.mark.slow
def test_no_ageing_is_told_where_no_model_is_known() -> None:
    lfp = replace(pack(0.002), chemistry="lfp", full_v=3.6, ceiling_v=3.65, threshold_v=3.5, empty_v=2.5)
    page = plan_page(planned(lfp), "shed")

    assert "Ageing is not told" in page
    assert page.count("<svg") == 2


def test_a_display_four_volts_low_may_be_a_dead_group_or_a_charge_that_stopped() -> None:
    told = {t.cause: t.probability for t in told_by_display(96.6, 24)}

    assert sum(told.values()) == pytest.approx(1.0)
    assert told["even and full"] < 0.01
    assert 0.05 < told["one group dead"] < 0.5


def test_a_display_at_full_leaves_an_uneven_pack_possible() -> None:
    """A charger holds the sum: that it is right says little of one group."""
    told = {t.cause: t.probability for t in told_by_display(100.8, 24)}

    assert told["even and full"] > 0.7
    assert told["uneven: one group far behind"] > 0.1


def test_a_lower_top_ages_less() -> None:
    assert capacity_lost("nmc", 0.8, 0.3, 365.0) < capacity_lost("nmc", 1.0, 0.3, 365.0)


@pytest.mark.slow
def test_no_habit_is_advised_for_a_pack_that_is_to_be_inspected_first(tmp_path: Path) -> None:
    """A loose link: the plan says what the report says, and no more."""
    recording = tmp_path / "loose.frames"
    CliRunner().invoke(cli, ["simulate", "loose_link", "--direct", "-o", str(recording)])

    done = CliRunner().invoke(cli, ["plan", str(recording)])
    numbers = CliRunner().invoke(cli, ["plan", str(recording), "--json"])

    assert done.output.startswith("No plan yet. Have it inspected")
    assert "Charge to full" not in done.output
    assert json.loads(numbers.output)["habits"] == []


def test_the_command_answers_from_the_display_alone() -> None:
    done = CliRunner().invoke(cli, ["plan", "--display-v", "96.6", "--groups", "24"])

    assert done.exit_code == 0
    assert "4.2 V less than 24 groups" in done.output
    assert "Measure next: each group" in done.output
    assert "Do not charge or ride it until every group was read." in done.output  # one may be dead
