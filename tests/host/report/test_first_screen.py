"""The figures and steps of the first screen, and how long and how sure they are said to be."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from evenstring.analysis.results import Balancing, Charge, Event, Reason, Verdict
from evenstring.report.next_steps import next_step, record_next
from evenstring.report.page import render
from evenstring.report.reasons import headline, sure_line
from evenstring.report.report_json import report_json
from evenstring.report.sections import balancing
from evenstring.report.sections.first import headline_figures, is_visit
from evenstring.report.words import counted, listed, surely

from tests.host.looks import a_day, a_material


def figures(**found: object) -> dict[str, tuple[str, str]]:
    return {label: (value, note) for label, value, note in headline_figures(a_material(a_day(), **found))}


def test_a_few_millivolts_above_full_are_no_visit_and_above_the_ceiling_are() -> None:
    above_full = Event("above_full", 3, 0.0, 900.0, 4.215, True, during="charge")
    above_ceiling = Event("above_ceiling", 3, 0.0, 40.0, 4.27, True, during="charge")

    shown = figures(events=(above_full, above_full, above_ceiling))["visits beyond a limit"]

    assert not is_visit(above_full)
    assert shown == ("1", "1 above its ceiling; besides 2 times just above full")


def test_balanced_says_of_what_and_when_and_stands_beside_its_own_spread() -> None:
    shown = figures(balancing=Balancing("balanced", remaining_s=0.0, spread_mv=7.0, at_s=7200.0))

    assert shown["spread on the charger"] == ("7.0 mV", "at 2 h")
    assert shown["time to balanced"] == ("reached", "to 10 mV, on the charger, at 2 h")


def test_a_spread_over_the_target_is_never_said_to_have_reached_it() -> None:
    shown = figures(balancing=Balancing("balanced", remaining_s=0.0, spread_mv=11.9, at_s=7200.0))

    assert shown["time to balanced"][0] == "about reached"


def test_what_the_meter_cannot_tell_from_its_target_has_no_hours_but_a_latest() -> None:
    near = Balancing("converging", 3.0, 1.0, 0.0, 0.0, 9000.0, "time", spread_mv=12.5, at_s=7200.0)
    shown = balancing.section(a_material(a_day(), balancing=near))
    assert shown is not None

    assert figures(balancing=near)["time to balanced"][0] == "about reached"
    assert shown.pairs[0] == (
        "time to balanced", "about reached", "at the target, within the uncertainty of the spread; 2 h 30 min at most",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("hours", "words", "not_there"),
    [(3.0, "for about 3 h more", "by turns"), (50.0, "by turns", "Leave the charger connected")],
)
def test_more_than_one_sitting_is_charged_by_turns_and_never_alone(hours: float, words: str, not_there: str) -> None:
    left = hours * 3600
    b = Balancing("converging", 4.0, None, left, 0.8 * left, 1.2 * left, "time" if hours < 24 else "over_24_h")
    reason = Reason("converging", "keep_charging", b, "balancing.remaining_s", "balancing", 0.9, "charge_on")
    verdict = Verdict("keep_charging", (reason,), left, 0.9, (reason,))

    said = next_step(a_material(a_day(), balancing=b, verdict=verdict, charge=Charge("full")))

    assert words in said
    assert not_there not in said
    assert "never alone overnight" in said


def test_how_sure_stands_in_words_and_numbers_alike() -> None:
    """Bounds by hand: 99, 90, 75 and 55 of 100."""
    assert [surely(c).split(":")[0] for c in (0.99, 0.90, 0.75, 0.55)] == [
        "as good as certain", "fairly sure", "likely", "not sure",
    ]  # fmt: skip
    assert "How sure" in sure_line(Verdict("ride", (), None, 0.9))
    assert "How sure" not in sure_line(Verdict("too_little_data", (), None, 0.9))


def test_report_json_holds_the_fixed_keys_of_the_verdict() -> None:
    made = report_json(a_material(a_day()))["verdict"]

    assert {"action", "reasons", "next_step", "confidence", "evidence"} <= set(made)
    assert made["action"] == "inspect"
    assert 0 <= made["confidence"] <= 1


def test_the_page_begins_with_what_how_sure_and_what_now() -> None:
    material = a_material(a_day())
    page = render(material, "invented")
    first = page[page.index("<header") : page.index("</header>")]

    order = [first.index(t) for t in (headline(material.found.verdict), "How sure", "<li>", 'class="figures"')]
    assert order == sorted(order)
    assert record_next(material) == ""  # to be inspected first


@pytest.mark.parametrize(
    ("opened", "words"),
    [((9, 10), "between groups 9 and 10"), ((9, 14), "of group 9 and 14"), ((9,), "of group 9 and its plug")],
)
def test_two_neighbours_without_a_reading_are_one_lead(opened: tuple[int, ...], words: str) -> None:
    events = tuple(Event("lead_open", g, 0.0, 400.0, None, None) for g in opened)
    reason = Reason("visit", "inspect", events[0], "events[0]", "events", 0.95, "mend_lead")

    assert words in next_step(
        a_material(a_day(), events=events, verdict=Verdict("inspect", (reason,), None, 0.95, (reason,)))
    )


@pytest.mark.parametrize(("ridden_c", "said"), [(1.0, True), (22.0, False)])
def test_a_cold_ride_is_named_beside_what_to_expect_of_the_next(ridden_c: float, said: bool) -> None:
    day = a_day()
    cold = replace(day, temps_c=np.full((day.scans, 1), ridden_c, np.float32))
    visit = Event("below_empty", 2, 100.0, 16.0, 2.88, True)
    reason = Reason("visit", "ride_weak_group", visit, "events[0]", "events", 0.95, "ride_gently")

    words = next_step(a_material(cold, verdict=Verdict("ride_weak_group", (reason,), None, 0.95, (reason,))))

    assert ("It was ridden at 1 °C" in words) == said


def test_printed_the_summary_is_one_sheet_with_the_table_open_and_pages_are_numbered() -> None:
    page = render(a_material(a_day()), "invented")
    paper = page[page.index("@media print") :]

    assert "break-before: page" in paper
    assert "details::details-content { content-visibility: visible" in paper
    assert "counter(page)" in paper
    assert page.index("Checked by") < page.index("Appendix")


def test_numbers_and_their_nouns_agree() -> None:
    assert (counted(1, "scan"), counted(0, "scan"), counted(1200, "scan")) == ("1 scan", "0 scans", "1,200 scans")
    assert (listed((3,)), listed((3, 7, 9)), listed(range(1, 10), 6)) == (
        "3",
        "3, 7 and 9",
        "1, 2, 3, 4, 5, 6 and 3 more",
    )
