"""What a weak group says in the verdict: its number, its cause and its size, once it is sure and matters for riding."""

from __future__ import annotations

from dataclasses import replace

import pytest
from evenstring.analysis.results import Findings, Spread, Verdict, Weakness
from evenstring.analysis.run import analyse
from evenstring.analysis.verdict.reasons import with_causes

from tests.worlds.fault_sessions import make_case

NOTHING = Findings((), Spread(*(None,) * 7, 0, 0, ()), (), None, Verdict("ride", ("All in order.",)))


def weak(cause: str, size: float, confidence: float) -> Weakness:
    return Weakness(7, cause, size, "%", confidence, size - 2.0, size + 2.0, 0.99, "", ())


@pytest.mark.slow
@pytest.mark.parametrize(("cause", "words"), [("low_capacity", "less charge"), ("high_resistance", "more resistance")])
def test_a_weak_group_of_a_recorded_day_is_named_in_the_reasons(cause: str, words: str) -> None:
    """The group and its departure are the simulator's: 5 % less capacity, 20 % more resistance."""
    case = make_case(61, "ride and charge", cause, 1.3)

    verdict = analyse(case.session, case.profile).verdict

    said = [r for r in verdict.reasons if words in r]
    assert len(said) == 1
    assert f"Group {case.group} " in said[0]
    assert any(e.text == said[0] and e.picture == "weakness" for e in verdict.evidence)


@pytest.mark.parametrize("found", [
    weak("low_capacity", 12.0, 0.79), weak("low_capacity", 3.0, 0.99), weak("high_resistance", 12.0, 0.99),
    weak("meter_offset", 8.0, 0.99),
])  # fmt: skip
def test_what_is_unsure_or_small_or_the_meters_gives_no_reason(found: Weakness) -> None:
    assert with_causes(replace(NOTHING, weakness=(found,))).verdict == NOTHING.verdict


def test_a_weak_group_alone_changes_no_action_and_comes_after_what_asks_for_one() -> None:
    asked = replace(NOTHING, verdict=Verdict("keep_charging", ("More charging.",), keep_charging_s=3600.0))

    verdict = with_causes(replace(asked, weakness=(weak("low_capacity", 12.0, 0.95),))).verdict

    assert verdict.action == "keep_charging"
    assert verdict.keep_charging_s == 3600.0
    assert verdict.reasons[0] == "More charging."
    assert "about 12 % less charge than the others (10 to 14 %)" in verdict.reasons[1]
