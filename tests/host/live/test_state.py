"""What a glance is told, from scans with a known story."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from evenstring.analysis.run import analyse
from evenstring.live.canvas import raster
from evenstring.live.history import History
from evenstring.live.numerals import HEIGHT, big
from evenstring.live.state import Alarm, LiveState
from evenstring.profile import PackProfile
from evenstring.session import Session
from evenstring.sim import DutyCycle, MeterModel, Pack, measure, simulate
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.host.looks import a_profile


def scans(volts_v: np.ndarray, step_s: float = 1.0, start_s: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    return start_s + np.arange(len(volts_v)) * step_s, volts_v.astype(np.float32)


def fed(volts_v: np.ndarray, current_a: float | None = None) -> LiveState:
    state = LiveState(a_profile(volts_v.shape[1]))
    current = None if current_a is None else np.full(len(volts_v), current_a, np.float32)
    state.take(*scans(volts_v), current)
    return state


def test_before_the_first_scan_there_is_no_number() -> None:
    assert LiveState().matter.number == "–"
    assert LiveState().facts()


def test_rising_under_charging_current_shows_the_highest_group() -> None:
    state = fed(3.6 + np.arange(200)[:, None] * 5e-4 + np.array([0.0, 0.01, 0.02]), 5.0)
    assert state.phase == "charge_cc"
    assert state.matter.number == "3.720"  # 3.6 + 199 x 0.5 mV + 20 mV, rounded


def test_discharging_shows_the_lowest_group() -> None:
    state = fed(np.full((200, 3), 3.5) - np.array([0.0, 0.1, 0.0]), -12.0)
    assert state.phase == "ride"
    assert state.matter.number == "3.40"


def test_five_minutes_without_current_are_rest_and_four_are_not() -> None:
    assert fed(np.full((302, 3), 3.9), 0.0).phase == "rest"
    assert fed(np.full((240, 3), 3.9), 0.0).phase == "unknown"


@pytest.mark.slow
@pytest.mark.parametrize(("step_s", "with_current"), [(0.5, True), (5.0, True), (15.0, True), (5.0, False)])
def test_phase_and_time_to_balanced_are_what_the_report_says(step_s: float, with_current: bool) -> None:
    """At two scans a second and at one in 15 s, fed in pieces as they come: as `analyse` of the same scans."""
    rng = np.random.default_rng(7)
    pack = Pack.random(rng, groups=16, soc=0.90)
    soc = pack.soc0.copy()
    soc[4] -= 0.02
    trajectory = simulate(replace(pack, soc0=soc), DutyCycle().charge(hours=4.5), step_s=2.0)
    session = measure(
        trajectory, MeterModel.random(rng, 16), rng, scans_per_s=1 / step_s, quiet_s=max(step_s, 2.0),
        with_current=with_current,
    )  # fmt: skip
    state = LiveState(PackProfile(groups=16))
    for k in range(0, session.scans, 400):
        piece = slice(k, k + 400)
        amps = None if session.current_a is None else session.current_a[piece]
        state.take(session.time_s[piece], session.volts_v[piece], amps)

    bare = Session(
        session.time_s - session.time_s[0], session.volts_v, session.quality, np.zeros(session.scans, np.float32),
        current_a=session.current_a,
    )  # fmt: skip
    report = analyse(bare, PackProfile(groups=16))

    assert state.phase == report.phases[-1].kind
    if report.phases[-1].kind == "charge_cv":
        assert state.balancing is not None
        assert state.balancing.state == report.balancing.state
        assert state.balanced_in_s == pytest.approx(report.balancing.remaining_s, rel=0.25)


def test_a_board_that_does_not_measure_is_not_called_silent_between_two_healths_and_its_numbers_are_old() -> None:
    """It speaks every 10 s: what it said stays on the screen, what it measured before is shown as such."""
    state = LiveState()
    state.take(np.arange(10.0), np.full((10, 4), 3.7, np.float32))
    state.trouble = "the board does not measure: a part on its I2C bus does not answer"

    assert not state.is_silent(11.0)
    assert state.is_silent(26.0)
    assert "I2C bus" in state.matter.what
    assert dict(state.facts())["phase"] == "not measured"
    assert dict(state.facts())["pack"].startswith("was ")


def test_a_silent_board_shows_nothing_as_of_now() -> None:
    """Three seconds at ten scans a second; at one in 15 s only after 37 s."""
    quick, slow = fed(np.full((50, 3), 3.6)), LiveState(a_profile(3))
    slow.take(*scans(np.full((50, 3), 3.6), step_s=15.0))
    assert quick.is_silent(3.5)
    assert not slow.is_silent(30.0)
    assert slow.is_silent(40.0)

    quick.silent_s = 12.0

    assert quick.matter.alarm
    assert quick.matter.number == "–"
    assert "SILENT for 12 s" in quick.matter.what
    assert dict(quick.facts())["phase"] == "silent"
    assert all(value.startswith(("was ", "silent")) for _, value in quick.facts())


def test_the_big_number_of_a_ride_and_of_a_charge_names_its_group() -> None:
    assert "group 2 is lowest" in fed(np.full((400, 3), 3.5) - np.array([0.0, 0.1, 0.0]), -12.0).matter.what
    rising = 3.6 + np.arange(400)[:, None] * 5e-4 + np.array([0.0, 0.01, 0.02])
    assert "group 3 is highest" in fed(rising, 5.0).matter.what


def test_a_spread_that_does_not_close_gives_no_time() -> None:
    rng = np.random.default_rng(1)
    volts = np.array([4.2, 4.2, 4.16]) + rng.normal(0, 5e-4, (1800, 3))
    assert fed(volts, 0.8).balanced_in_s is None


def test_reading_below_discard_is_an_alarm_with_its_group() -> None:
    state = fed(np.array([[3.5, 2.4, 3.5]]), -1.0)
    assert state.matter.alarm
    assert state.matter.what == "group 2 below the discard voltage"
    assert state.matter.number == "2.40"


def test_alarm_of_the_board_stands_until_it_ends() -> None:
    state = fed(np.full((5, 3), 3.6))
    state.take_alarm(Alarm("hot", 0), active=True)
    assert state.matter.alarm
    state.take_alarm(Alarm("hot", 0), active=False)
    assert not state.matter.alarm


def test_no_reading_is_never_a_number() -> None:
    state = fed(np.array([[3.5, np.nan, 3.6]]))
    assert state.spread_mv == pytest.approx(100, abs=0.1)
    assert state.pack_v is None
    assert state.alarms == []


def test_a_board_that_begins_anew_starts_a_new_history() -> None:
    state = fed(np.full((100, 3), 3.6))
    state.take(*scans(np.full((2, 3), 3.7)))
    assert state.history is not None
    assert state.history.size == 2


def test_group_off_the_surface_is_named() -> None:
    volts = np.full((50, 12), 3.6)
    volts[:, 4] -= 0.05
    assert fed(volts).leaving == [4]


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 400), st.integers(2, 90), st.integers(0, 2**32 - 1), st.integers(1, 7))
def test_rolling_columns_equal_those_made_at_once(n: int, count: int, seed: int, block: int) -> None:
    rng = np.random.default_rng(seed)
    time_s = np.cumsum(rng.uniform(0.05, 2.0, n))
    volts = rng.normal(3.7, 0.01, (n, 3)).astype(np.float32)
    rolling, whole = History(3), History(3)
    rolling.columns(count, 60.0)
    for i in range(0, n, block):
        rolling.add(time_s[i : i + block], volts[i : i + block])
    whole.add(time_s, volts)
    for one, other in zip(rolling.columns(count, 60.0), whole.columns(count, 60.0), strict=True):
        np.testing.assert_array_equal(one[1:], other[1:])  # the leftmost may be cut where the window begins


def test_history_keeps_the_newer_half_when_it_is_full(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("evenstring.live.history._MOST", 1000)
    history = History(2)
    for i in range(15):
        history.add(np.arange(100.0) + 100 * i, np.full((100, 2), 3.7, np.float32))
    assert history.size <= 1000
    assert history.time_s[-1] == 1499


def test_braille_dots_stand_where_unicode_puts_them() -> None:
    # Unicode 15, block Braille Patterns: dot 1 (upper left) is U+2801, dot 8 (lower right) is U+2880.
    top = raster(np.array([[1.0], [np.nan]], np.float32), np.array([[1.0], [np.nan]], np.float32), [], 1.0, 0.0, 1)
    assert top.rows == ["\u2801"]
    low = raster(np.array([[np.nan], [0.0]], np.float32), np.array([[np.nan], [0.0]], np.float32), [0], 1.0, 0.0, 1)
    assert low.rows == ["\u2880"]
    assert low.strong.all()


@given(st.text(alphabet="0123456789.:-+– x", max_size=8))
def test_big_numbers_have_rows_of_one_width(text: str) -> None:
    rows = big(text)
    assert len(rows) == HEIGHT
    assert len({len(r) for r in rows}) == 1
