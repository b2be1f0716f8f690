"""Warning ahead: the weakest group is told before it is there, with and without a current; it ends, and is not false.

How often it is right over many rides: `python -m tests.benchmarks.ahead`. Here single cases whose outcome is plain.
"""

from __future__ import annotations

import json
import sys
from typing import Any

import numpy as np
import pytest

from tests.firmware.rig.cases import CASES
from tests.firmware.rig.run import run
from tests.mp import FIRMWARE, VIRTUAL, Unix64

sys.path.insert(0, str(FIRMWARE))  # the same files that a board runs
sys.path.insert(1, str(VIRTUAL / "cpython"))

from evenboard.base import limits
from evenboard.warn import ahead
from evenboard.warn.ahead import Ahead

GROUPS, WEAK = 20, 7
SCAN_MS = 400
EASE_OFF, NOW, CEILING, BRAKE = 1, 2, 4, 8


def ride(
    minutes: float, from_v: float, fall_v: float, weak_ohm: float = 2.0, seed: int = 1
) -> tuple[np.ndarray, np.ndarray]:
    """Steps (k, g) and current in 10 mA: pulls of 15 A and 10 mohm a group, and an open-circuit voltage that falls."""
    rng = np.random.default_rng(seed)
    k = int(minutes * 60_000 / SCAN_MS)
    pulls = np.repeat(rng.choice([0.0, 3.0, 6.0, 15.0], k // 15 + 1), 15)[:k]
    open_v = from_v - np.linspace(0, fall_v, k)[:, None]
    ohm = np.full(GROUPS, 0.01)
    ohm[WEAK - 1] *= weak_ohm
    volts = open_v - pulls[:, None] * ohm + 0.0003 * rng.standard_normal((k, GROUPS))
    return np.round(volts * 5000).astype(int), np.round(-pulls * 100).astype(int)


def said(steps: np.ndarray, current: np.ndarray | None) -> list[int]:
    """What was raised after each scan."""
    board = Ahead(GROUPS, 15000, 21250)
    out = []
    for k, row in enumerate(steps.tolist()):
        board.look(row, 1, -32768 if current is None else int(current[k]), SCAN_MS)
        out.append(board.raised)
    said.board = board  # type: ignore[attr-defined]  # the last one, for a closer look
    return out


@pytest.mark.parametrize("sensor", [True, False], ids=["with current", "without"])
def test_a_weak_group_is_told_well_before_it_falls_below_empty(sensor: bool) -> None:
    """3.60 V falling by 0.5 V in 40 min: the weak group, with twice the resistance, is 3.00 V under its pulls first."""
    steps, current = ride(40, 3.60, 0.5)
    falls = int(np.argmax((steps < 15000).any(axis=1)))

    raised = said(steps[: falls + 1], current if sensor else None)

    first = next(k for k, bits in enumerate(raised) if bits & EASE_OFF)
    assert (falls - first) * SCAN_MS > 60_000
    assert said.board.place == WEAK  # type: ignore[attr-defined]
    assert not any(bits & (CEILING | BRAKE) for bits in raised)


@pytest.mark.parametrize("sensor", [True, False], ids=["with current", "without"])
def test_a_ride_that_stays_200_mv_clear_of_empty_is_never_warned(sensor: bool) -> None:
    steps, current = ride(60, 3.90, 0.35)
    assert steps.min() > 16000 + 250

    assert not any(said(steps, current if sensor else None))


@pytest.mark.parametrize("sensor", [True, False], ids=["with current", "without"])
@pytest.mark.parametrize(("reads_v", "told"), [(3.09, True), (3.35, False)])
def test_a_group_that_reads_within_100_mv_of_empty_is_told_at_once(sensor: bool, reads_v: float, told: bool) -> None:
    """Whatever is foretold: a knee that no load before had shown, in one reading at the end of an easy ride."""
    steps, current = ride(20, 3.90, 0.1)
    steps[-1, WEAK - 1] = round(reads_v * 5000)

    raised = said(steps, current if sensor else None)

    assert not any(raised[:-1])
    assert bool(raised[-1] & EASE_OFF) == told
    assert not raised[-1] & NOW
    if told:
        assert said.board.value == round(reads_v * 5000)  # type: ignore[attr-defined]  # what it read, not foretold


def test_it_grades_soon_before_now() -> None:
    steps, _ = ride(60, 3.60, 0.6)

    raised = said(steps, None)

    soon, now = (next(k for k, bits in enumerate(raised) if bits & bit) for bit in (EASE_OFF, NOW))
    assert soon < now


def test_the_share_of_a_group_is_learnt_from_its_own_sag() -> None:
    steps, _ = ride(10, 3.9, 0.05, weak_ohm=2.0)

    said(steps, None)
    shares = np.array(said.board._share) / 4096  # type: ignore[attr-defined]

    assert shares[WEAK - 1] == pytest.approx(2.0 * 20 / 21, rel=0.05)  # of the mean, which the weak one pulls down
    assert np.delete(shares, WEAK - 1) == pytest.approx(20 / 21, rel=0.05)


def test_ease_off_now_gives_way_to_ease_off_once_the_forecast_is_better() -> None:
    """40 min on a string that stands some 0.3 V higher again, as after a long descent."""
    steps, _ = ride(60, 3.60, 0.6)
    told = next(k for k, bits in enumerate(said(steps, None)) if bits & NOW) + 1
    better, _ = ride(40, 3.60, 0.05, seed=2)

    raised = said(np.concatenate([steps[:told], better]), None)

    assert raised[told - 1] == EASE_OFF | NOW
    assert raised[-1] == EASE_OFF


def test_a_current_sensor_changes_nothing_in_what_is_foretold() -> None:
    steps, current = ride(40, 3.60, 0.5)

    assert said(steps, current) == said(steps, None)


@pytest.mark.parametrize(("minutes", "more_v"), [(4, 0.6 * 20 / 300), (30, 0.6 * 20 / 1860)])
def test_pulls_are_feared_more_while_a_ride_is_young(
    minutes: int, more_v: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of a group that falls by 0.6 V, a third more at first, 20/300 after 4 min, 20/1860 after 30."""
    pulls = np.repeat([0.0, 0.1, 0.3], 25)[:, None] * np.where(np.arange(GROUPS) == WEAK - 1, 2.0, 1.0)
    steps = np.round((4.0 - np.tile(pulls, (2 * minutes, 1))) * 5000).astype(int)

    said(steps, None)
    foretold = said.board.value  # type: ignore[attr-defined]
    monkeypatch.setattr(ahead, "_EARLY", 0)
    said(steps, None)

    assert (said.board.value - foretold) / 5000 == pytest.approx(more_v, rel=0.1)  # type: ignore[attr-defined]


def test_a_climb_brings_the_forecast_nearer_though_no_pull_was_harder() -> None:
    """A pull comes on top of a climb: 90 s at 150 mV, after pulls as hard from rest.

    By the level without load alone, which sinks by 18 mV a minute, the forecast would sink by 22 mV.
    """
    pulls = np.tile(np.repeat([0.15, 0.03, 0.0], 25), 40)
    climb = np.concatenate([pulls, np.full(225, 0.15)])[:, None]
    steps = np.round((4.0 - climb + np.zeros(GROUPS)) * 5000).astype(int)

    said(steps[: len(pulls)], None)
    before = said.board.value  # type: ignore[attr-defined]
    said(steps, None)
    on_the_climb = said.board.value  # type: ignore[attr-defined]

    assert (before - on_the_climb) / 5000 > 0.030


def test_once_parked_it_ends() -> None:
    steps, _ = ride(40, 3.60, 0.55)
    parked = np.repeat(steps[-1:], 1000, axis=0)

    raised = said(np.concatenate([steps, parked]), None)

    assert raised[len(steps) - 1] & EASE_OFF
    assert raised[-1] == 0


def test_a_warning_stays_through_a_ride_on_cells_that_hardly_sag() -> None:
    """Ten minutes of pulls that move the mean by 10 mV, of a string that was warned: without a current sensor too."""
    steps, _ = ride(40, 3.60, 0.55)
    pulls = np.where(np.arange(1500) // 25 % 4 == 3, 50, 0)[:, None]  # 10 s of 10 mV, four a minute and a half
    easy = steps[-400:].min(axis=0) - pulls

    raised = said(np.concatenate([steps, easy]), None)

    assert raised[len(steps) - 1] & EASE_OFF
    assert all(bits & EASE_OFF for bits in raised[len(steps) :])


def test_a_charge_that_lifts_one_group_to_its_ceiling_is_told_before_it_is_there() -> None:
    """1 mV in 3 s, one group 60 mV ahead of the others; 2 A of charge."""
    k = 1500
    volts = 4.00 + np.arange(k)[:, None] * 0.4 / 3000 + np.zeros(GROUPS)
    volts[:, 2] += 0.06
    steps = np.round(volts * 5000).astype(int)
    reached = int(np.argmax(steps[:, 2] > 21250))

    raised = said(steps[: reached + 1], np.full(k, 200))

    first = next(j for j, bits in enumerate(raised) if bits & CEILING)
    assert 20_000 < (reached - first) * SCAN_MS < 300_000
    assert said.board.top_place == 3  # type: ignore[attr-defined]


def test_a_charge_held_at_full_is_not_told() -> None:
    steps = np.full((4000, GROUPS), 21000)

    assert not any(said(steps, np.full(4000, 100)))


def test_a_ride_that_begins_full_is_asked_to_brake_gently_and_no_longer_after_a_while() -> None:
    steps, current = ride(30, 4.22, 0.15, weak_ohm=1.0)

    raised = said(steps, current)

    assert any(bits & BRAKE for bits in raised[:500])
    assert not raised[-1] & BRAKE


@pytest.mark.parametrize(
    ("values", "problem"),
    [
        ({"soon_mv": 80}, ""),
        ({"soon": 80}, "ahead.soon is not known"),
        ({"soon_mv": 5, "now_mv": 10}, "ahead: now_mv must not"),
        ({"near_mv": 20}, "ahead: near_mv must not be below"),
        ({"brake_mv": 900}, "ahead.brake_mv is out of range"),
    ],
)
def test_values_of_a_board_description_are_checked(values: dict[str, int], problem: str) -> None:
    assert limits.check_ahead(values).startswith(problem)
    assert bool(limits.check_ahead(values)) == bool(problem)


@pytest.mark.parametrize("current", [True, False], ids=["with current", "without"])
def test_on_the_board_it_is_heard_and_sent_before_a_reading_is_below_empty(current: bool) -> None:
    """The whole firmware on the models: two groups of three share a load that comes and goes while all fall."""
    script = CASES + (
        "volts = [3600000] * 8\n"
        f"sensor = RP2040_24['current'] if {current} else None\n"
        "rig = Rig(volts, groups=8, changes={'alarms': {}, 'current': sensor})\n"
        "heard = []\n"
        "rig.app.watch.signals._sound = lambda on: heard.append(on)\n"
        "start(rig); first = below = None; k = 0\n"
        "while below is None and k < 3000:\n"
        "    k += 1\n"
        "    load = (0, 40000, 150000)[k // 5 % 3]\n"
        "    for g in range(1, 9):\n"
        "        rig.pack.values[g] = 3600000 - 300 * k - load * (2 if g == 5 else 1)\n"
        "    go(rig, 1000)\n"
        "    active = rig.app.watch.alarms.active\n"
        "    if active >> 11 & 1 and first is None: first = k\n"
        "    if active & 1: below = k\n"
        "show(first=first, below=below, place=rig.app.watch.ahead.place, heard=True in heard)"
    )
    got: dict[str, Any] = json.loads(run(Unix64(), script, heap="2m")[-1])

    assert got["below"] - got["first"] > 30  # seconds
    assert got["place"] == 5
    assert got["heard"]
