"""Two strings of one vehicle: what is said of each, and of both."""

from __future__ import annotations

import numpy as np
import pytest
from evenstring.live.state import LiveState
from evenstring.live.together import Named, joined_now, one_line, together_line
from evenstring.profile import PackProfile

GROUPS = 20


def string(name: str, volts_v: float, current_a: float | None = 0.0, before_v: float | None = None) -> Named:
    """Twenty groups at one voltage; `before_v`: half a minute earlier."""
    state = LiveState(PackProfile(groups=GROUPS, capacity_ah=20.0))
    levels = [volts_v if before_v is None else before_v, volts_v]
    for k, level in enumerate(levels):
        volts = np.full((1, GROUPS), level, np.float32)
        current = None if current_a is None else np.array([current_a], np.float32)
        state.take(np.array([30.0 * k]), volts, current)
    return Named(name, state)


def test_what_would_flow_between_two_strings_at_rest_is_ohms_law() -> None:
    """20 groups of 7 mohm each (20 Ah: common practice) are 0.14 ohm; two of them in the loop."""
    found = joined_now([string("left", 4.00), string("right", 3.95)])

    assert found is not None
    assert found.apart_v == pytest.approx(1.0, abs=1e-4)
    assert found.current_a == pytest.approx(1.0 / 0.28, rel=1e-3)
    assert (found.higher, found.lower, found.dangerous) == (0, 1, False)


def test_strings_far_apart_are_not_to_be_joined_and_the_line_says_so() -> None:
    line = together_line([string("left", 3.60), string("right", 4.10)])

    assert line.startswith("! at rest 10.00 V apart: joined, about 36 A would flow from right to left")
    assert line.endswith("do not join them")


@pytest.mark.parametrize("current_a", [-8.0, None])
def test_nothing_is_said_of_joining_while_one_may_be_under_load(current_a: float | None) -> None:
    strings = [string("left", 4.00), string("right", 3.90, current_a)]

    assert joined_now(strings) is None
    assert together_line(strings) == ""


def test_the_string_that_sags_most_is_named() -> None:
    strings = [string("left", 3.70, -20.0, before_v=3.78), string("right", 3.58, -20.0, before_v=3.78)]

    assert together_line(strings) == "right sags most: 200 mV a group, the next 80 mV"
    assert "sags 80 mV a group" in one_line(strings[0], shown=True)


def test_a_string_that_is_silent_or_does_not_measure_says_only_that() -> None:
    silent, blind = string("left", 4.0), string("right", 4.0)
    silent.state.silent_s, blind.state.trouble = 12.0, "tap 3 is stuck: unplug the harness"

    assert one_line(silent, shown=False) == "  left: ! SILENT for 12 s, not watched"
    assert one_line(blind, shown=True) == "▸ right: ! tap 3 is stuck: unplug the harness"


def test_an_alarm_of_a_string_that_is_not_shown_stands_in_its_line() -> None:
    assert "! group 1 below the discard voltage" in one_line(string("left", 1.2), shown=False)
