"""What a weak group says in the verdict: its number, its cause and its size, once it is sure and matters for riding."""

from __future__ import annotations

from dataclasses import replace
from typing import get_args

import pytest
from evenstring.analysis.results import (
    Balancing,
    CauseKind,
    Coverage,
    Event,
    Findings,
    ReasonKind,
    Spread,
    Verdict,
    Weakness,
)
from evenstring.analysis.run import analyse
from evenstring.analysis.verdict.decision import decide
from evenstring.profile import PackProfile
from evenstring.report import reasons
from evenstring.report.reasons import sentence

from tests.worlds.fault_sessions import make_case

PROFILE = PackProfile(groups=24)
SEEN = Coverage(9000, 24, (), (), 1.0, 2400.0, 7200.0, 3600.0, True, 1.0, 3.0)
NOTHING = Findings((), Spread(*(None,) * 7, 0, 0, ()), (), None, Verdict("ride", ()), coverage=SEEN)


def weak(cause: CauseKind, size: float, confidence: float) -> Weakness:
    return Weakness(7, cause, size, "%", confidence, size - 2.0, size + 2.0, 0.99, "", ())


@pytest.mark.slow
@pytest.mark.parametrize(("cause", "words"), [("low_capacity", "less charge"), ("high_resistance", "more resistance")])
def test_a_weak_group_of_a_recorded_day_is_named_in_the_reasons(cause: str, words: str) -> None:
    """The group and its departure are the simulator's: 5 % less capacity, 20 % more resistance."""
    case = make_case(61, "ride and charge", cause, 1.3)

    verdict = analyse(case.session, case.profile).verdict

    said = [r for r in verdict.reasons if words in sentence(r)]
    assert len(said) == 1
    assert f"Group {case.group} " in sentence(said[0])
    assert said[0].picture == "weakness"


@pytest.mark.parametrize("found", [
    weak("low_capacity", 3.0, 0.99), weak("high_resistance", 12.0, 0.99),
    weak("meter_offset", 8.0, 0.99),
])  # fmt: skip
def test_what_is_small_or_the_meters_gives_no_reason(found: Weakness) -> None:
    verdict = decide(replace(NOTHING, weakness=(found,)), PROFILE)

    assert [r.kind for r in verdict.reasons] == ["nothing_found"]


def test_a_gap_that_a_rider_feels_comes_before_a_weak_group() -> None:
    closing = Balancing("converging", 5.0, None, 3600.0, 1800.0, 7200.0, "time", gap_percent=3.0)

    verdict = decide(replace(NOTHING, balancing=closing, weakness=(weak("low_capacity", 12.0, 0.95),)), PROFILE)

    assert verdict.action == "keep_charging"
    assert verdict.keep_charging_s == 3600.0
    assert [r.kind for r in verdict.reasons] == ["converging", "low_capacity"]
    assert "about 12 % less charge than the others (10 to 14 %)" in sentence(verdict.reasons[1])


def test_every_kind_of_reason_has_its_sentence_in_one_place() -> None:
    assert set(reasons._WORDS) == set(get_args(ReasonKind))


def test_the_most_serious_reason_is_first_whatever_found_it() -> None:
    """A reversed group, more charging asked for, and a sure leak: the danger leads, the leak comes before charging."""
    reversed_group = Event("reversed", 4, 100.0, 5.0, -0.4, True)
    closing = Balancing("converging", 5.0, None, 3600.0, 1800.0, 7200.0, "time")
    leak = replace(weak("self_discharge", 3.0, 0.95), unit="% a week")

    verdict = decide(replace(NOTHING, events=(reversed_group,), balancing=closing, weakness=(leak,)), PROFILE)

    assert verdict.action == "do_not_charge"
    assert [r.kind for r in verdict.reasons] == ["visit", "self_discharge", "converging"]
    assert verdict.keep_charging_s is None
