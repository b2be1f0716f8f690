"""What a board warned of ahead is held against the readings that followed; outcomes worked out by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from evenstring.analysis.results import Foretold
from evenstring.analysis.riding.foretold import find_foretold
from evenstring.profile import parse_profile
from evenstring.session import Said, Session

PROFILE = parse_profile('[pack]\nname = "trike"\ngroups = 4\nchemistry = "nmc"\n')  # empty 3.00 V, ceiling 4.25 V


def session(*said: Said, dip_v: float = 3.3, at_s: float = 200.0, level_v: float = 3.5) -> Session:
    """600 s, a scan a second, all groups at `level_v`; group 3 reads `dip_v` for ten seconds from `at_s` on."""
    time_s = np.arange(600.0)
    volts = np.full((600, 4), level_v, np.float32)
    volts[(time_s >= at_s) & (time_s < at_s + 10), 2] = dip_v
    return Session(time_s, volts, np.zeros(volts.shape, np.uint8), np.zeros(600, np.float32), said=said)


def ease_off(at_s: float, began: bool = True, kind: str = "ease_off") -> Said:
    return Said(at_s, kind, 3, began, 3.04)


def only(found: tuple[Foretold, ...]) -> Foretold:
    assert len(found) == 1
    return found[0]


@pytest.mark.parametrize(
    ("dip_v", "outcome"), [(2.95, "came"), (3.06, "near"), (3.15, "stayed_clear"), (3.3, "stayed_clear")]
)
def test_a_warning_is_right_where_a_group_falls_below_empty_or_within_100_mv_of_it(dip_v: float, outcome: str) -> None:
    one = only(find_foretold(session(ease_off(150.0), dip_v=dip_v), PROFILE))

    assert (one.outcome, one.group, one.start_s, one.end_s) == (outcome, 3, 150.0, None)
    assert one.reached_v == pytest.approx(dip_v, abs=1e-6)
    assert one.reached_group == 3
    assert one.after_s == (50.0 if outcome == "came" else None)


def test_what_comes_after_a_warning_ended_does_not_make_it_right() -> None:
    one = only(find_foretold(session(ease_off(100.0), ease_off(160.0, began=False), dip_v=2.9), PROFILE))

    assert (one.outcome, one.end_s, one.reached_v) == ("stayed_clear", 160.0, 3.5)


def test_ease_off_and_ease_off_now_are_one_warning_that_ends_with_the_later_of_both() -> None:
    said = (ease_off(100.0), ease_off(150.0, kind="ease_off_now"), ease_off(180.0, began=False))
    said = (*said, ease_off(250.0, began=False, kind="ease_off_now"))

    one = only(find_foretold(session(*said, dip_v=2.9), PROFILE))

    assert (one.start_s, one.urgent_s, one.end_s, one.outcome, one.after_s) == (100.0, 150.0, 250.0, "came", 100.0)


def test_a_fall_that_the_board_saw_and_had_not_foretold_is_told_as_such() -> None:
    fell = Said(200.0, "below_empty", 3, True, 2.9)
    beside = replace(fell, time_s=201.0, place=2)

    one = only(find_foretold(session(fell, beside, dip_v=2.9), PROFILE))

    assert (one.kind, one.outcome, one.group, one.start_s) == ("below_empty", "not_foretold", 3, 200.0)
    assert all(f.outcome == "came" for f in find_foretold(session(ease_off(150.0), fell, dip_v=2.9), PROFILE))


@pytest.mark.parametrize(("high_v", "outcome"), [(4.26, "came"), (4.23, "near"), (4.20, "stayed_clear")])
def test_a_group_about_to_reach_its_ceiling_is_held_against_the_ceiling(high_v: float, outcome: str) -> None:
    said = Said(150.0, "near_ceiling", 3, True, 4.24)

    one = only(find_foretold(session(said, dip_v=high_v, level_v=4.1), PROFILE))

    assert (one.kind, one.outcome) == ("near_ceiling", outcome)
    assert one.reached_v == pytest.approx(high_v, abs=1e-6)


def test_where_no_group_was_read_nothing_is_claimed_and_without_warnings_there_is_nothing() -> None:
    unread = session(ease_off(150.0))
    unread.volts_v[100:] = np.nan

    assert only(find_foretold(unread, PROFILE)).outcome == "not_read"
    assert find_foretold(session(), PROFILE) == ()
