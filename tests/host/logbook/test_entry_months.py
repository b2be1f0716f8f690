"""From entries as recordings leave them: warnings that stand, likes compared with likes, leaks between two rests."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from evenstring.board.play import play_direct
from evenstring.io.load import load_session, profile_of
from evenstring.logbook.entry import Entry, entry_of, from_text, to_text
from evenstring.logbook.figures import Rest, Sag
from evenstring.logbook.of_pack import history_of
from evenstring.logbook.trends.likes import leaks, sag_alike
from evenstring.logbook.trends.line import trend
from evenstring.logbook.trends.points import WEEK_S
from evenstring.logbook.trends.standing import standing
from evenstring.logbook.trends.told import facts
from evenstring.report.material import Material, gather_material
from evenstring.session import Correction
from evenstring.sim.scenario import parse_scenario

DAY_S, START_S, GROUPS = 86_400.0, 1.7e9, 4
ONE = Entry(
    START_S, 7200.0, GROUPS, (0.0, -1.0, 1.0, 0.0), 0.3, (1.0,) * GROUPS, 0.02, "full", True, 1.0, 2.0, 2.0, 8.0, 20.0,
    (), "ride", left_percent=55.0, calibrated_s=START_S - 30 * DAY_S,
)  # fmt: skip


def weekly(count: int = 12, **changes: object) -> list[Entry]:
    return [replace(ONE, start_s=START_S + k * WEEK_S, **changes) for k in range(count)]  # type: ignore[arg-type]  # as replace


def kinds(entries: list[Entry], weeks_later: float = 0.1) -> list[str]:
    end_s = max(e.start_s or 0.0 for e in entries) + 7200.0
    return [one.kind for one in standing(history_of(entries), end_s + weeks_later * WEEK_S)]


def test_a_pack_that_is_used_has_no_warning() -> None:
    assert kinds(weekly()) == []


@pytest.mark.parametrize(("left", "kind"), [(97.0, ["stored_full"]), (6.0, ["stored_empty"]), (55.0, []), (None, [])])
def test_a_pack_left_full_or_empty_for_weeks_is_warned_of_and_one_that_nobody_saw_is_not(
    left: float | None, kind: list[str]
) -> None:
    entries = [*weekly(), replace(ONE, start_s=START_S + 12 * WEEK_S, left_percent=left)]

    assert kinds(entries, 4.0) == kind
    assert kinds(entries, 1.0) == []


def test_a_calibration_goes_out_of_date_a_year_after_it_was_found() -> None:
    late = weekly(60)

    assert kinds(weekly(40)) == []
    assert kinds(late) == ["calibration"]
    assert kinds([*late[:-1], replace(late[-1], calibrated_s=START_S + 50 * WEEK_S)]) == []  # calibrated again


def test_cycles_are_counted_from_the_charge_of_each_recording() -> None:
    """500 of 20 Ah are 10,000 Ah."""
    assert kinds(weekly(40, charged_ah=249.0)) == []
    assert kinds(weekly(40, charged_ah=251.0)) == ["cycles"]


def test_a_sag_in_the_cold_or_under_more_load_is_no_trend_of_the_pack() -> None:
    """4 mohm at 25 degC; hard rides late in a cold winter sag three times as far, and are put beside the like only."""
    entries = [
        replace(e, sag=Sag(2, 120.0 + 0.1 * k, 30.0, 24.0) if k < 30 else Sag(2, 360.0, 60.0, 2.0))
        for k, e in enumerate(weekly(40))
    ]
    like = sag_alike(history_of(entries))

    assert like is not None
    assert (like.load_a, like.temperature_c, like.left_out) == (30.0, 24.0, 10)
    made = trend(like.series)
    assert made is not None
    assert made.a_week == pytest.approx(0.1, abs=0.05)


def test_a_sag_is_brought_to_the_middle_load_by_ohms_law() -> None:
    entries = [
        replace(e, sag=Sag(1, 4.0 * a, a, None)) for e, a in zip(weekly(5), (25.0, 28.0, 30.0, 32.0, 36.0), strict=True)
    ]
    like = sag_alike(history_of(entries))

    assert like is not None
    assert like.series.value == pytest.approx(np.full(5, 120.0))
    assert like.temperature_c is None


def rest(at_s: float, level_v: float, third: float) -> Rest:
    return Rest(at_s, 3600.0, level_v, (0.0, 0.0, third, 0.0), 0.02, 20.0)


def test_a_leak_is_read_between_two_rests_with_nothing_between_and_not_across_a_ride() -> None:
    """By hand: 0.5 % less after a week is 0.5 % a week."""
    before = replace(ONE, last_rest=rest(7000.0, 3.90, 0.2))
    after = replace(ONE, start_s=START_S + WEEK_S, first_rest=rest(7000.0, 3.899, -0.3))
    ridden = replace(after, first_rest=rest(7000.0, 3.80, -0.3))

    found = leaks(history_of([before, after]))

    assert found is not None
    assert found.percent_week[2] == pytest.approx(0.5)
    assert found.u[2] == pytest.approx(np.hypot(0.02, 0.02))
    assert leaks(history_of([before, ridden])) is None


def test_what_the_vehicles_own_hundred_per_cent_is_stands_in_the_facts() -> None:
    said = dict(facts(history_of(weekly(6, empty_percent=12.0, full_percent=97.0)), ()))

    assert "from 12 %" in said["what 0 to 100 % is"]
    assert "0.85 of one" in said["what 0 to 100 % is"]
    assert "70 % of the charge when new" in said["cycles"]


EVENING = """
[scenario]
title = "Mill lane barrow: an hour out and home to the charger"
[pack]
name = "Mill lane barrow (invented)"
groups = 12
capacity_ah = 8
r0_mohm = 6
soc = 0.95
[charger]
current_a = 4.0
[meter]
scans_per_s = 0.5
quiet_s = 30
[[step]]
do = "ride"
minutes = 15
seed = 4
[[step]]
do = "rest"
minutes = 40
[[step]]
do = "charge"
hours = 3
leave_hours = 0.1
[[step]]
do = "rest"
minutes = 40
[[fault]]
kind = "high_resistance"
group = 9
percent = 90
"""


@pytest.fixture(scope="module")
def material(tmp_path_factory: pytest.TempPathFactory) -> Material:
    """A whole evening: ride, rest, charge, rest; its firmware left out."""
    chosen = parse_scenario(EVENING)
    path = tmp_path_factory.mktemp("evening") / "evening.frames"
    play_direct(chosen, chosen.run(), path)
    session = load_session([path])
    return gather_material(session, profile_of(session))


@pytest.mark.slow
def test_an_entry_holds_what_the_simulator_put_in(material: Material) -> None:
    """Truth of the scenario: 12 groups, group 9 with 90 % more than 6 mohm, held full at the end, 25 degC."""
    correction = Correction(0.0, "command", False, None, (0,) * 12, (0,) * 12)
    found = [None, *np.array(["2026-03-01", "2026-05-01"], "datetime64[s]").tolist()]
    session = replace(material.session, corrections=tuple(replace(correction, found=f) for f in found))
    entry = entry_of(replace(material, session=session), "ab12")

    assert entry.sag is not None
    assert entry.sag.group == 9
    assert entry.sag.temperature_c == pytest.approx(25.0, abs=1.0)
    assert entry.left_percent is not None
    assert entry.left_percent > 97.0
    assert entry.first_rest is not None
    assert entry.last_rest is not None
    assert entry.last_rest.at_s > entry.first_rest.at_s + 3600.0
    assert entry.capacity_sigma is not None
    assert all(abs((c or 0.0) - 1.0) < 0.05 for c in entry.capacity)
    assert entry.resistance_mohm == pytest.approx(6.0, rel=0.1)
    assert entry.charged_wh is not None
    assert entry.charged_wh > (entry.discharged_wh or 0.0) > 20.0
    assert entry.calibrated_s == pytest.approx(1777593600.0)  # 2026-05-01, UTC
    assert entry.digest == "ab12"
    assert from_text(to_text(entry)) == entry


def test_an_entry_of_before_is_read_and_so_is_one_of_a_later_version() -> None:
    read = json.loads(to_text(ONE))
    old = {name: value for name, value in read.items() if name in list(read)[:16]}
    later = {**read, "first_rest": {**vars_of(rest(1.0, 3.9, 0.0)), "colour": "red"}, "weather": "rain"}

    assert from_text(json.dumps(old)) == replace(ONE, left_percent=None, calibrated_s=None)
    assert from_text(json.dumps(later)).first_rest == rest(1.0, 3.9, 0.0)


def vars_of(one: Rest) -> dict[str, object]:
    return {name: getattr(one, name) for name in Rest.__dataclass_fields__}
