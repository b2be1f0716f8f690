"""Alarms of the board: raised in time, cleared with hysteresis, never silenced for good, latched past a reset.

Limits are common practice for 4.2 V chemistries, no source: 3.00, 2.50 and 4.25 V of a group.
"""

from __future__ import annotations

import sys
from array import array

import pytest
from evenstring.wire.table import load_table

from tests.firmware.rig.run import FOLDERS
from tests.mp import FIRMWARE, VIRTUAL, Unix64, Wasm32

sys.path.insert(0, str(FIRMWARE))  # the same files that a board runs
sys.path.insert(1, str(VIRTUAL / "cpython"))

from evenboard.base import limits as limits_of
from evenboard.flash.latch import SIZE, Latch
from evenboard.warn import alarms as board_alarms
from evenboard.warn.alarms import Alarms
from evenboard.warn.patterns import LIGHT, SOUND, Signals, is_on
from evenstring_protocol import wire

GROUPS = 4
KINDS = len(load_table().enums["alarm"])
EVEN = [18500] * GROUPS  # 3.70 V in steps of 0.2 mV


def taken(alarms: Alarms) -> list[tuple[int, ...]]:
    out, found = array("h", [0] * 5), []
    while alarms.take(out):
        found.append(tuple(out))
    return found


def with_group(group: int, steps: int) -> list[int]:
    row = list(EVEN)
    row[group - 1] = steps
    return row * 2


def look(alarms: Alarms, group: int, steps: int, scans: int = 1) -> list[tuple[int, ...]]:
    for _ in range(scans):
        alarms.look(with_group(group, steps), 2)
    return taken(alarms)


@pytest.mark.parametrize(
    ("millivolts", "kind"),
    [
        (2999, wire.ALARM_BELOW_EMPTY),
        (2499, wire.ALARM_BELOW_DISCARD),
        (4251, wire.ALARM_ABOVE_CEILING),
        (-51, wire.ALARM_REVERSED),
    ],
)
def test_one_scan_of_two_looks_raises_the_alarm_of_a_group(millivolts: int, kind: int) -> None:
    alarms = Alarms(GROUPS)

    events = look(alarms, 3, 5 * millivolts)

    assert (kind, wire.ALARM_CHANGE_RAISED, 3, 5 * millivolts, 5 * millivolts) in events
    assert alarms.active >> kind & 1


@pytest.mark.parametrize("millivolts", [3000, 4250])
def test_at_its_limit_nothing_is_raised(millivolts: int) -> None:
    assert look(Alarms(GROUPS), 2, 5 * millivolts, 10) == []


def test_one_bad_look_alone_raises_nothing() -> None:
    alarms = Alarms(GROUPS)
    for _ in range(20):
        alarms.look(with_group(2, 12000)[:GROUPS] + EVEN, 2)  # only the way out

    assert taken(alarms) == []


def test_a_sag_in_both_passes_is_not_hidden_by_an_average() -> None:
    alarms = Alarms(GROUPS)
    row = with_group(1, 14990)
    row[GROUPS] = 14000

    alarms.look(row, 2)

    assert taken(alarms) == [(wire.ALARM_BELOW_EMPTY, wire.ALARM_CHANGE_RAISED, 1, 14000, 14000)]


def test_beyond_the_range_counts_as_above_the_ceiling_and_never_as_reversed() -> None:
    """No cell reads minus 4.9 V: that is leads out of order, and beside it so is what reads beyond the other end."""
    alarms = Alarms(GROUPS)
    look(alarms, 1, wire.OVER_POSITIVE)
    assert alarms.active == 1 << wire.ALARM_ABOVE_CEILING

    other = Alarms(GROUPS)
    look(other, 2, wire.OVER_NEGATIVE)
    assert other.active == 1 << wire.ALARM_LEAD_ORDER
    assert other.latched == 0


def test_it_clears_only_beyond_the_hysteresis_and_after_twice_the_looks() -> None:
    alarms = Alarms(GROUPS)
    look(alarms, 1, 14900)
    assert look(alarms, 1, 15100, 20) == []  # 3.02 V: within 50 mV of the limit
    assert look(alarms, 1, 15250) == []  # two looks of four

    events = look(alarms, 1, 15250)

    assert [e[:3] for e in events] == [(wire.ALARM_BELOW_EMPTY, wire.ALARM_CHANGE_CLEARED, 1)]
    assert events[0][4] == 14900  # the worst it saw
    assert alarms.active == 0


def test_it_tells_when_it_gets_worse() -> None:
    alarms = Alarms(GROUPS)
    look(alarms, 1, 14900)

    events = look(alarms, 1, 14000)

    assert events == [(wire.ALARM_BELOW_EMPTY, wire.ALARM_CHANGE_WORSE, 1, 14000, 14000)]


def test_an_open_lead_is_told_and_freezes_the_other_looks() -> None:
    alarms = Alarms(GROUPS)
    look(alarms, 2, 14000)

    events = look(alarms, 2, wire.LEAD_OPEN, 5)

    assert events == [(wire.ALARM_LEAD_OPEN, wire.ALARM_CHANGE_RAISED, 2, wire.LEAD_OPEN, wire.LEAD_OPEN)]
    assert alarms.active >> wire.ALARM_BELOW_EMPTY & 1  # nothing shows that it got better


def test_no_believable_reading_means_not_watching() -> None:
    alarms = Alarms(GROUPS)
    alarms.look([wire.NO_READING] * 2 * GROUPS, 2)
    for _ in range(4):
        alarms.watch_over(1000, False)
    assert taken(alarms) == []

    alarms.watch_over(1000, False)

    assert [e[:2] for e in taken(alarms)] == [(wire.ALARM_NOT_WATCHING, wire.ALARM_CHANGE_RAISED)]
    alarms.look(EVEN * 2, 2)
    alarms.watch_over(100, False)
    assert alarms.active == 0


def test_a_board_that_knows_that_it_is_blind_warns_whatever_it_read_last() -> None:
    alarms = Alarms(GROUPS)
    alarms.look(EVEN * 2, 2)

    alarms.watch_over(5000, True)

    assert [e[:2] for e in taken(alarms)] == [(wire.ALARM_NOT_WATCHING, wire.ALARM_CHANGE_RAISED)]


@pytest.mark.parametrize(
    ("temp", "current", "kind"),
    [
        (6001, -500, wire.ALARM_HOT),
        (-1, 100, wire.ALARM_COLD_CHARGE),
        (-32768, 0, wire.ALARM_NTC_OPEN),
    ],
)
def test_temperatures_warn(temp: int, current: int, kind: int) -> None:
    alarms = Alarms(GROUPS, 2)
    for _ in range(2):
        alarms.look(EVEN * 2, 2, current, [2000, temp])

    assert [e[:3] for e in taken(alarms)] == [(kind, wire.ALARM_CHANGE_RAISED, 2)]


def test_cold_without_charging_is_no_alarm() -> None:
    alarms = Alarms(GROUPS, 1)
    for _ in range(9):
        alarms.look(EVEN * 2, 2, -300, [-1000])

    assert taken(alarms) == []


def test_silence_wears_off_and_soonest_for_the_worst() -> None:
    alarms = Alarms(GROUPS)
    look(alarms, 1, 12000)
    alarms.acknowledge(0xFFFF)
    assert alarms.sounding() == -1
    assert alarms.showing() == wire.ALARM_BELOW_DISCARD

    look(alarms, 2, 22000)
    assert alarms.sounding() == wire.ALARM_ABOVE_CEILING  # news is heard
    alarms.acknowledge(0xFFFF)
    alarms.pass_time(board_alarms.MUTE_SHORT_MS)

    assert alarms.sounding() == wire.ALARM_ABOVE_CEILING
    alarms.acknowledge(0xFFFF)
    alarms.pass_time(board_alarms.MUTE_MS)
    assert alarms.sounding() == wire.ALARM_ABOVE_CEILING


def test_the_latch_holds_until_cleared_on_purpose_and_not_while_active() -> None:
    alarms = Alarms(GROUPS)
    look(alarms, 2, 12000)
    bit = 1 << wire.ALARM_BELOW_DISCARD
    alarms.clear_latch(bit)
    assert alarms.latched & bit

    look(alarms, 2, 18500, 4)
    assert alarms.latched & bit
    assert alarms.visited[0] == 0b10
    alarms.clear_latch(bit)

    assert alarms.latched == 0
    assert alarms.visited[0] == 0


def test_the_latch_survives_a_reset_and_is_told_again() -> None:
    alarms = Alarms(GROUPS)
    alarms.restore(1 << wire.ALARM_BELOW_DISCARD, bytes([4]))

    assert taken(alarms)[0][:2] == (wire.ALARM_BELOW_DISCARD, wire.ALARM_CHANGE_LATCHED)
    assert alarms.visited[0] == 4


@pytest.mark.parametrize(
    "limits",
    [
        {"empty_mv": 2000},
        {"ceiling_mv": 9000},
        {"debounce": 0},
        {"empty_mv": "3000"},
        {"loudness": 3},
        {"hot_cdeg": -100},
    ],
)
def test_limits_that_make_no_sense_are_refused_in_words(limits: dict[str, object]) -> None:
    assert limits_of.check_alarms(limits).startswith("alarms")


def test_the_limits_of_another_chemistry_are_taken() -> None:
    assert limits_of.check_alarms({"empty_mv": 2500, "discard_mv": 2000, "ceiling_mv": 3650}) == ""


def test_every_alarm_has_its_own_sound_and_light() -> None:
    assert len(set(SOUND)) == len(set(LIGHT)) == KINDS
    assert all(len(p) % 2 == 0 and p[0] > 0 for p in SOUND + LIGHT)
    assert sorted(board_alarms.PRIORITY) == list(range(KINDS))


def test_outputs_follow_the_alarm_at_once_and_the_self_test_comes_first() -> None:
    alarms, heard, seen = Alarms(GROUPS), [], []
    signals = Signals(alarms, heard.append, seen.append)
    for _ in range(60):
        signals.service(20, True)
    assert any(heard)
    assert not heard[-1]

    look(alarms, 1, -5000)
    signals.service(1, True)

    assert heard[-1]
    assert seen[-1]
    assert [is_on((100, 50), t) for t in (0, 99, 100, 149, 150)] == [True, True, False, False, True]


class Slot:
    def __init__(self) -> None:
        self.data = bytearray(b"\xff" * SIZE)
        self.torn = False

    def read(self, buf: bytearray) -> bool:
        buf[:] = self.data
        return True

    def write(self, buf: bytearray) -> bool:
        half = SIZE // 2 if self.torn else SIZE
        self.data[:half] = buf[:half]
        return True


def test_a_torn_write_of_the_latch_leaves_the_generation_before() -> None:
    slots = (Slot(), Slot())
    latch = Latch(slots)
    latch.latched, latch.boots = 2, 70000
    assert latch.save()
    for slot in slots:
        slot.torn = True
    latch.calibration = bytes(range(200))
    slots[1].write(bytearray(SIZE))  # what the cut left of the second generation

    again = Latch(slots)

    assert again.load()
    assert (again.latched, again.boots, again.generation) == (2, 70000, 1)


LOCKED = """
import micropython
from array import array
from evenboard.warn.ahead import Ahead
from evenboard.warn.alarms import Alarms
from evenboard.warn.patterns import Signals
n = 40
alarms = Alarms(n, 4)
def nothing(on):
    pass
signals = Signals(alarms, nothing, nothing)
ahead = Ahead(n, alarms.empty, alarms.ceiling)
readings = array("h", bytes(4 * n))
temp = array("h", (2500, -32768, 7000, -500))
out = array("h", bytes(10))
def run(scans):
    state = 1
    events = 0
    for scan in range(scans):
        for i in range(2 * n):
            state = (state * 75 + 74) % 65537
            readings[i] = state - 32768 if state < 65536 else 0
        alarms.look(readings, 2, scan - 50, temp)
        # Voltages anywhere, currents and gaps of time beyond what is real: nothing may reach 2^30.
        ahead.look(readings, 2, state - 32768 if scan & 1 else -32768, 1 << scan % 20)
        alarms.foretell(ahead)
        alarms.pass_time(200)
        signals.service(200, True)
        alarms.acknowledge(0x1ff)
        while alarms.take(out):
            events += 1
    return events
run(2)
micropython.heap_lock()
n = run(300)
micropython.heap_unlock()
print(n > 100)
"""


def test_nothing_is_allocated(runtime: Unix64 | Wasm32) -> None:
    assert runtime.run(LOCKED, path=FOLDERS, heap="128k") == ["True"]
