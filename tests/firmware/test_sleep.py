"""What the board draws, and when it may sleep."""

from __future__ import annotations

import json

import pytest

from tests.firmware.front.test_divider_bank import BANK
from tests.firmware.rig.cases import CASES
from tests.firmware.rig.run import run
from tests.mp import Unix64


@pytest.fixture
def case():
    def go(script: str) -> list:
        return json.loads(run(Unix64(), CASES + "from evenboard import sleep\n" + script)[-1])["out"]

    return go


ISLAND = """
def board(**more):
    changes = {"island": {"pin": 20, "start_ms": 20}}
    changes.update(more)
    return Rig(groups=12, changes=changes)
slept = []
def lightsleep(ms):
    slept.append((ms, rig.board.powered, rig.world.even, rig.world.odd))
    vtime.sleep_ms(ms)
def run(rig, ms):
    end = vtime.ms + ms
    while vtime.ms < end:
        wait = rig.app.step()
        if wait and not sleep.nap(rig.app, wait, True, lightsleep):
            vtime.sleep_ms(min(wait, 20))
"""


@pytest.mark.parametrize("front", ["relay_scan", "divider_bank"])
def test_the_island_is_off_while_the_board_sleeps_and_the_readings_are_whole(case, front):
    """A scan every 10 s, so sleeps of 3 s at most; the parts have lost their settings each time."""
    more = "**bank(12, claim_uv=9000)" if front == "divider_bank" else ""
    got = case(
        f"{BANK}{ISLAND}rig = board({more}); rig.app.start(10000, 0); run(rig, 61000)\n"
        "show(out=[rig.app.scans, slept, rig.front.bus_errors, rig.readings_uv() if rig.front.passes == 2 else\n"
        "    [v * 200 for v in rig.front.readings], rig.volts_uv, rig.world.crimes])"
    )

    scans, slept, errors, seen, true, crimes = got
    assert scans == 6
    assert sum(ms for ms, *_ in slept) > 55_000
    assert max(ms for ms, *_ in slept) <= 3000
    assert all(state == [False, -1, -1] for _, *state in slept)
    assert errors == 0
    assert crimes == []
    assert max(abs(a - b) for a, b in zip(seen, true, strict=True)) < (500 if front == "relay_scan" else 4500)


@pytest.mark.parametrize(
    "hang",
    ["rig.board.hung.add(72)", "rig.board.hung.add(32)", "rig.board.hung_low = True"],
    ids=["converter", "expander", "data line that clocks do not free"],
)
def test_a_hung_part_is_freed_by_its_supply_and_by_nothing_else(case, hang):
    """UM10204 (I2C-bus specification): where clocks do not help, cycle the power of the device."""
    script = (
        "rig = {make}; start(rig); go(rig, 3000); " + hang + "; fed = rig.fed\n"
        "go(rig, 12000); show(out=[rig.app.state, rig.front.island.cycles if rig.front.island else 0,\n"
        "    rig.app.scans, rig.fed - fed, rig.world.even, rig.world.odd, rig.world.crimes])"
    )
    state, cycles, scans, *_, crimes = case(ISLAND + script.format(make="board()"))
    without = case(ISLAND + script.format(make="Rig(groups=12)"))

    assert (state, cycles) == (1, 1)
    assert scans >= 6  # one a second, but for the five that pass before the next try
    assert crimes == []
    assert without[0] == 2  # fault, not monitoring
    assert without[4:] == [-1, -1, []]


def test_a_line_that_nine_clocks_free_costs_no_cycle(case):
    got = case(
        ISLAND + "rig = board(); start(rig); go(rig, 3000); rig.board.bus_low = True\n"
        "go(rig, 12000); show(out=[rig.app.state, rig.front.island.cycles, rig.board.bus_low])"
    )

    assert got == [1, 0, False]


def test_a_part_that_hung_before_a_reset_is_freed_at_boot(case):
    """A reset of the processor alone leaves it hung: the supply goes once, and the string is watched."""
    got = case(
        ISLAND + "rig = board(); rig.board.hung.add(72)\n"
        "rig.app = make_app(rig.data, '', rig.sink.write, rig.feed); rig.app.begin(); start(rig); go(rig, 3000)\n"
        "show(out=[rig.app.state, rig.app.front.island.cycles, rig.app.scans])"
    )

    # Its pin starts low at boot, so the island was without supply before it was asked the first time.
    assert got[0] == 1
    assert got[1] <= 1
    assert got[2] >= 2


def test_a_part_that_is_dead_for_good_gets_one_cycle_a_try_and_everything_stays_open(case):
    got = case(
        ISLAND + "rig = board(); start(rig); go(rig, 2000); rig.board.silent.add(72); at = vtime.ms\n"
        "worst = [0, vtime.ms]\n"
        "def feed():\n    worst[0] = max(worst[0], vtime.ms - worst[1]); worst[1] = vtime.ms\n"
        "rig.app._feed = feed; go(rig, 60000)\n"
        "show(out=[rig.app.state, rig.front.island.cycles, worst[0], rig.world.even, rig.world.odd])"
    )

    state, cycles, worst_ms, even, odd = got
    assert state == 2
    assert 10 <= cycles <= 13  # each 5 s
    assert worst_ms < 8000 - 2000
    assert (even, odd) == (-1, -1)


@pytest.mark.parametrize(
    ("change", "ms"),
    [("", 4000), ("wait=1500", 1500), ("allowed=False", 0), ("heard=True", 0), ("sounding=True", 0), ("wait=10", 0),
     ("state=wire.STATE_FAULT", 0)],
)  # fmt: skip
def test_it_sleeps_only_unheard_unalarmed_and_for_less_than_the_watchdog(case, change, ms):
    got = case(
        "how = dict(wait=9000, allowed=True, state=wire.STATE_SCANNING, heard=False, sounding=False)\n"
        f"how.update(dict({change}))\n"
        "show(out=[sleep.sleep_ms(how['wait'], how['allowed'], how['state'], how['heard'], how['sounding'])])"
    )

    assert got == [ms]
