"""What each finding makes of the verdict: by the decision table, one case a row, worked out by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import get_args

import numpy as np
import pytest
from evenstring.analysis.results import (
    Action,
    Balancing,
    CauseKind,
    Charge,
    Charger,
    Coverage,
    EndKind,
    Event,
    EventKind,
    Findings,
    Hazard,
    HazardKind,
    Phase,
    ReasonKind,
    Ride,
    Spread,
    Step,
    Verdict,
    Weakness,
)
from evenstring.analysis.run import analyse
from evenstring.analysis.verdict.coverage import coverage_of
from evenstring.analysis.verdict.decision import TABLE, decide
from evenstring.profile import PackProfile
from evenstring.report import next_steps
from evenstring.report.reasons import sentence
from evenstring.session import Quality, Session

PACK = PackProfile(groups=24)
SEEN = Coverage(9000, 24, (), (), 1.0, 2400.0, 7200.0, 3600.0, True, 1.0, 3.0)
FINE = Findings((), Spread(*(None,) * 7, 0, 0, ()), (), None, Verdict("ride", ()), coverage=SEEN)


def visit(kind: EventKind, volts: float, seconds: float, *, load: bool = True, sure: bool = True) -> Event:
    return Event(kind, 7, 100.0, seconds, volts, load, "yes" if sure else "within_uncertainty")


def weak(cause: CauseKind, size: float, confidence: float = 0.95) -> Weakness:
    return Weakness(7, cause, size, "%", confidence, size - 2, size + 2, 0.99, "", ((cause, confidence),))


def verdict(**found: object) -> Verdict:
    return decide(replace(FINE, **found), PACK)


CASES: list[tuple[str, Action, dict[str, object]]] = [
    ("nothing", "ride", {}),
    ("reversed", "do_not_charge", {"events": (visit("reversed", -0.4, 5.0),)}),
    ("discard at rest", "do_not_charge", {"events": (visit("below_discard", 2.3, 5.0, load=False),)}),
    ("discard for long", "do_not_charge", {"events": (visit("below_discard", 2.3, 30.0),)}),
    ("discard for a moment", "inspect", {"events": (visit("below_discard", 2.3, 2.0),)}),
    ("discard by less than the meter", "too_little_data",
     {"events": (visit("below_discard", 2.497, 30.0, sure=False),)}),
    ("ceiling by less than the meter", "ride", {"events": (visit("above_ceiling", 4.253, 50.0, sure=False),)}),
    ("ceiling cut within seconds", "ride", {"events": (visit("above_ceiling", 4.27, 6.0),)}),
    ("ceiling for long", "inspect", {"events": (visit("above_ceiling", 4.27, 60.0),)}),
    ("far above the ceiling", "inspect", {"events": (visit("above_ceiling", 4.32, 2.0),)}),
    ("empty under load", "ride_weak_group", {"events": (visit("below_empty", 2.9, 20.0),)}),
    ("empty at rest", "inspect", {"events": (visit("below_empty", 2.9, 20.0, load=False),)}),
    ("open lead", "inspect", {"events": (Event("lead_open", 7, 0.0, 9.0, None, None),)}),
    ("cut on a ride", "ride_weak_group", {"rides": (Ride(0.0, 9.0, "cut_under_load", 7, 2.9, None),)}),
    ("less capacity", "ride_weak_group", {"weakness": (weak("low_capacity", 26.0),)}),
    ("more resistance", "ride_weak_group", {"weakness": (weak("high_resistance", 63.0),)}),
    ("twice the resistance", "inspect", {"weakness": (weak("high_resistance", 103.0),)}),
    ("many times the resistance", "inspect", {"weakness": (weak("high_resistance", 650.0),)}),
    ("leak", "inspect", {"weakness": (weak("self_discharge", 3.0),)}),
    ("heat in one place", "inspect", {"hazards": (Hazard("extra_heat", 7, 3.2, "W", 2.5, 3.9, 0.9),)}),
    ("drained at rest", "inspect", {"hazards": (Hazard("drains_at_rest", 7, 200.0, "mA", 150.0, 250.0, 0.9),)}),
    ("grows at rest", "inspect", {"hazards": (Hazard("spread_grows", None, 9.0, "mV", 8.0, 10.0, 0.9),)}),
    ("far behind", "inspect", {"hazards": (Hazard("far_behind", 7, 11.0, "%", 9.0, 13.0, 0.9),)}),
    ("alone above", "inspect", {"hazards": (Hazard("alone_above", 7, 4.0, "%", 2.0, 6.0, 0.85, seen_mv=41.0),)}),
    ("less charge", "keep_charging", {"weakness": (weak("charge_offset", -4.0),)}),
    ("stands out", "too_little_data", {"weakness": (weak("cannot_tell", 12.0),)}),
    ("ceiling stop", "keep_charging", {"charge": Charge("stopped_early", 7, (7,), 2, lowest_v_end=4.15)}),
    ("far from full", "inspect", {"charge": Charge("ended_uneven", lowest_group=2, lowest_v_end=3.9)}),
    ("getting even", "keep_charging",
     {"balancing": Balancing("converging", 4.0, None, 7200.0, 3600.0, 9000.0, "time", gap_percent=1.5)}),
    ("as near as the meter tells", "ride",
     {"balancing": Balancing("converging", 4.0, None, 700.0, 0.0, 9000.0, "time", gap_percent=0.4)}),
    ("never, and felt", "ride_weak_group",
     {"balancing": Balancing("not_converging", answer="never", spread_mv=70.0, gap_percent=4.0, reasons=("so",))}),
    ("never, and small", "ride",
     {"balancing": Balancing("not_converging", answer="never", spread_mv=18.0, gap_percent=0.9, reasons=("so",))}),
    ("no scan", "too_little_data", {"coverage": Coverage()}),
    ("one never read", "too_little_data", {"coverage": replace(SEEN, never_read=(5,))}),
    ("one lost half-way", "too_little_data", {"coverage": replace(SEEN, often_unread=(5,))}),
    ("no ride", "too_little_data", {"coverage": replace(SEEN, ride_s=0.0)}),
    ("cells not known", "too_little_data", {"coverage": replace(SEEN, capacity_u_percent=9.0)}),
    ("cells not known at all", "too_little_data", {"coverage": replace(SEEN, resistance_u_percent=None)}),
]  # fmt: skip


@pytest.mark.parametrize(("action", "found"), [c[1:] for c in CASES], ids=[c[0] for c in CASES])
def test_each_row_asks_for_what_the_table_says(action: Action, found: dict[str, object]) -> None:
    made = verdict(**found)

    assert made.action == action
    assert made.reasons[0].action == action
    assert 0.0 < made.confidence <= 1.0
    assert made.steps


@pytest.mark.parametrize(
    ("ended", "lag", "action"),
    [
        ("stopped_early", 0.4, "keep_charging"),
        ("stopped_early", None, "keep_charging"),
        ("stopped_early", 2.4, "keep_charging"),
        ("stopped_early", 12.4, "inspect"),
        ("ended_uneven", 12.4, "inspect"),
        ("ended_uneven", None, "inspect"),
    ],
)
def test_on_a_flat_curve_it_goes_by_charge_how_far_from_full_the_lowest_is(
    ended: EndKind, lag: float | None, action: Action
) -> None:
    """3.39 V of 3.65 is anything from two thirds full upwards: by volts each such string would be inspected."""
    charge = Charge(ended, 7, (7,), 2, lowest_v_end=3.39, short_ah=0.5, lowest_lag_percent=lag)
    made = decide(replace(FINE, charge=charge), PackProfile(groups=24, chemistry="lfp"))

    assert made.action == action
    assert ("at least 12 % of charge behind the next" in sentence(made.reasons[0])) == (lag == 12.4)


def test_every_step_has_its_words_in_one_place() -> None:
    assert set(next_steps._WORDS) == set(get_args(Step))


def test_every_kind_of_reason_has_its_row() -> None:
    assert set(TABLE) == set(get_args(ReasonKind))


def test_a_group_that_was_not_read_goes_before_charging_on_and_before_a_named_weakness() -> None:
    unread = replace(SEEN, never_read=(5,))
    closing = Balancing("converging", 4.0, None, 7200.0, 3600.0, 9000.0, "time")

    made = verdict(coverage=unread, balancing=closing, weakness=(weak("low_capacity", 12.0),))

    assert made.action == "too_little_data"
    assert made.keep_charging_s is None


def test_where_it_is_grave_no_step_means_charging_or_riding() -> None:
    stopped = Charge("stopped_early", 7, (7,), 2, lowest_v_end=4.15)

    made = verdict(charge=stopped, events=(visit("reversed", -0.4, 5.0),), weakness=(weak("low_capacity", 12.0),))

    assert [r.step for r in made.steps] == ["leave_alone"]


def test_many_times_the_resistance_is_said_once_where_its_heat_is_said_already() -> None:
    heat = Hazard("extra_heat", 7, 3.2, "W", 2.5, 3.9, 0.9)
    both = verdict(weakness=(weak("high_resistance", 650.0),), hazards=(heat,))

    assert [r.kind for r in both.reasons] == ["extra_heat"]
    assert both.action == verdict(weakness=(weak("high_resistance", 650.0),)).action == "inspect"


def test_a_drain_at_rest_is_said_once_where_a_leak_is_named_already() -> None:
    drain = Hazard("drains_at_rest", 7, 200.0, "mA", 150.0, 250.0, 0.9)

    made = verdict(hazards=(drain,), weakness=(weak("self_discharge", 30.0),))

    assert [r.kind for r in made.reasons] == ["drains_at_rest"]  # which names all that it may come from


def test_of_a_group_far_behind_it_is_not_said_that_balancing_mends_it() -> None:
    far = Hazard("far_behind", 7, 12.4, "%", 5.1, 19.7, 0.84)
    less = weak("charge_offset", -12.4)

    alone, both = verdict(weakness=(less,)), verdict(weakness=(less,), hazards=(far,))

    assert "charge_offset" in [r.kind for r in alone.reasons]
    assert [r.kind for r in both.reasons if r.kind in ("charge_offset", "far_behind")] == ["far_behind"]
    assert "behind the others" in sentence(both.reasons[0])


@pytest.mark.parametrize("kind", ["stays_above", "alone_above"])
def test_of_a_group_alone_above_it_is_not_said_that_balancing_mends_it(kind: HazardKind) -> None:
    alone = Hazard(kind, 7, 4.0, "%", 2.0, 6.0, 0.85, seen_mv=41.0, hours=1.0)

    made = verdict(weakness=(weak("charge_offset", 3.3),), hazards=(alone,))

    assert [r.kind for r in made.reasons] == [kind]
    assert made.action == "inspect"


def test_a_charger_that_leaves_with_its_light_is_told_to_stay() -> None:
    never = Balancing("not_converging", answer="never", spread_mv=43.0, gap_percent=2.3, reasons=("it leaves",))
    charger = Charger(84.0, 4.2, "right", 0.0, None, leaves_with_light=True)

    made = verdict(balancing=never, charger=charger)

    assert [r.kind for r in made.reasons] == ["leaves_with_light"]
    assert made.steps[0].step == "charger_that_stays"


def test_one_row_and_a_rest_alone_are_too_little_to_say() -> None:
    """66.8 mV of spread in a single row is no ground for riding, nor is an hour in which nothing happened."""
    volts = np.full((1, 24), 3.8, np.float32)
    volts[0, 3] -= 0.0668
    single = Session(np.zeros(1), volts, np.zeros((1, 24), np.uint8), np.zeros(1, np.float32))
    n = 720
    quiet = np.full((n, 24), 3.9, np.float32) + np.random.default_rng(1).normal(0, 3e-4, (n, 24)).astype(np.float32)
    rest = Session(np.arange(n) * 5.0, quiet, np.zeros((n, 24), np.uint8), np.zeros(n, np.float32))

    assert analyse(single, PACK).verdict.action == "too_little_data"
    told = analyse(rest, PACK).verdict
    assert told.action == "too_little_data"
    assert "no_ride" in [r.kind for r in told.reasons]


@pytest.mark.parametrize("lost", ["never", "half-way", "all"])
def test_a_group_that_was_not_read_is_the_headline(lost: str) -> None:
    n = 900
    volts = np.full((n, 24), 3.9, np.float32) + np.random.default_rng(1).normal(0, 3e-4, (n, 24)).astype(np.float32)
    quality = np.zeros((n, 24), np.uint8)
    quality[(n // 2 if lost == "half-way" else 0) :, slice(None) if lost == "all" else 4] = Quality.NO_READING
    volts[quality > 0] = np.nan
    session = Session(np.arange(n) * 2.0, volts, quality, np.zeros(n, np.float32))

    told = analyse(session, PACK).verdict

    assert told.action == "too_little_data"
    assert told.reasons[0].kind == {"never": "never_read", "half-way": "often_unread", "all": "no_scan"}[lost]


def test_a_phase_is_counted_where_it_is_seen() -> None:
    """Ten minutes of ride and twenty of rest: by hand."""
    n = 180
    session = Session(
        np.arange(n) * 10.0, np.full((n, 4), 3.8, np.float32), np.zeros((n, 4), np.uint8), np.zeros(n, np.float32)
    )

    seen = coverage_of(session, (Phase("ride", 0.0, 600.0), Phase("rest", 600.0, 1800.0)))

    assert (seen.ride_s, seen.rest_s, seen.charge_s, seen.interval_s) == (600.0, 1200.0, 0.0, 10.0)


@pytest.mark.parametrize("cause", ["connection", "high_resistance", "low_capacity"])
def test_a_fault_that_is_likely_and_not_sure_is_never_passed_over(cause: CauseKind) -> None:
    """A joint said at 0.73 once left "nothing speaks against riding" standing."""
    told = verdict(weakness=(weak(cause, 26.0, confidence=0.73),))

    assert told.action == "too_little_data"
    assert [r.kind for r in told.reasons] == ["stands_out"]


@pytest.mark.parametrize(("size", "action"), [(8.0, "too_little_data"), (3.0, "ride")])
def test_a_capacity_that_a_rider_would_feel_counts_from_a_lower_probability(size: float, action: str) -> None:
    """8 % at 0.3 once left "nothing speaks against riding" standing; it was there."""
    told = verdict(weakness=(replace(weak("low_capacity", size, confidence=0.48), abnormal=0.3),))

    assert told.action == action


@pytest.mark.parametrize(("size", "high", "action"), [
    (18.0, 27.0, "ride_weak_group"), (18.0, 19.0, "ride"), (12.0, 27.0, "ride"),
])  # fmt: skip
def test_a_resistance_that_its_interval_takes_to_where_a_rider_feels_it_is_said(
    size: float, high: float, action: str
) -> None:
    """A joint read as 18 %, sure, and more in truth, once left "nothing speaks against riding" standing."""
    told = verdict(weakness=(replace(weak("high_resistance", size, confidence=0.95), size_high=high),))

    assert told.action == action
