"""Invented two-year histories: faults are found in time, healthy packs are left alone, and the page says it first."""

from __future__ import annotations

import re

import pytest
from evenstring.logbook.trends.months_page import months_page
from evenstring.logbook.trends.points import WEEK_S

from tests.benchmarks.trend_marks import false_warnings, judged
from tests.worlds.histories import a_pack, with_fault


@pytest.mark.slow
def test_faults_of_ten_histories_are_found_within_six_weeks_of_becoming_visible() -> None:
    found = [one.found for seed in range(500, 510) if (one := judged(with_fault(seed))) is not None]

    assert len(found) >= 8
    assert sum(found) >= 0.8 * len(found)  # 90 % is held by the marks on a hundred


@pytest.mark.slow
def test_two_healthy_packs_are_not_warned_of() -> None:
    assert [false_warnings(a_pack(seed), every_weeks=8) for seed in (500, 501)] == [set(), set()]


def test_the_first_screen_says_since_when_which_group_and_what_to_do_next_charge() -> None:
    world = with_fault(8)  # a leak
    assert world.fault is not None
    assert world.fault.visible_s is not None
    history = world.history.until(world.fault.visible_s + 6 * WEEK_S)

    page = months_page(history, "<b>Mine</b>", float(history.end_s[-1]))
    first = page[page.index("<main>") : page.index("</header>")]

    assert f"group {world.fault.group} falls behind" in first
    assert re.search(r"since about \d{4}-\d\d-\d\d", first)
    assert "Next charge:" in first
    assert "<b>Mine" not in page
    assert "<svg" in page
    assert not re.search(r"""(src|href)=["']?https?:""", page)  # self-contained


def test_a_pack_without_recordings_is_not_called_healthy() -> None:
    page = months_page(a_pack(1).history.until(0.0), "", 0.0)

    assert "Nothing is recorded yet" in page
    assert "Nothing stands against" not in page
