"""Whatever goes wrong in a scan or a self-test: everything ends open, it is counted, and the next scan is whole."""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.firmware.front.test_divider_bank import BANK
from tests.firmware.rig.cases import CASES
from tests.firmware.rig.run import run
from tests.mp import Unix64
from tests.shares import first_few

ERRORS = ["OSError(5)", "MemoryError()", "ValueError()", "IndexError()", "TypeError()", "AttributeError()"]

# The k-th transfer from now on ends in ERROR, and so do the `more` after it.
BREAKING = """
countdown = [0, 0]
def breaking(plain):
    def call(*arguments):
        countdown[0] -= 1
        if -countdown[1] <= countdown[0] <= 0:
            raise ERROR
        return plain(*arguments)
    return call
def break_at(k, more=0):
    countdown[0] = k
    countdown[1] = more
def never():
    countdown[0] = 1 << 20
"""

RELAYS = """
rig = Rig(groups=4, changes={"alarms": {}})
never()
rig.board.write = breaking(rig.board.write)
rig.board.read_into = breaking(rig.board.read_into)
def counted(rig):
    return rig.front.bus_errors + rig.front.sensors.errors
def still_open():
    vtime.sleep_ms(51)
    rig.world._lapse()
    return [rig.world.even, rig.world.odd, rig.world.zero]
"""


@pytest.fixture
def case() -> Any:
    def go(script: str, error: str) -> Any:
        return json.loads(run(Unix64(), (CASES + script).replace("ERROR", error), heap="4m")[-1])["out"]

    return go


@pytest.mark.parametrize("error", ERRORS)
def test_at_each_transfer_of_a_relay_scan(case: Any, error: str) -> None:
    """Only what happens to a sensor costs no group; the rest is a failed scan that leaves no relay closed."""
    out = case(
        BREAKING + RELAYS + "out = []\n"
        "break_at(1 << 20); rig.front.scan(); many = (1 << 20) - countdown[0]\n"
        "for k in range(1, many + 1):\n"
        "    n = counted(rig); break_at(k); ok = rig.front.scan()\n"
        "    state = [rig.world.even, rig.world.odd, rig.world.zero]\n"
        "    errors = counted(rig) - n; fault = rig.front.fault; never()\n"
        "    out.append([ok, fault, errors, state, rig.front.scan()])\n"
        "show(out=[out, rig.world.crimes])",
        error,
    )
    scans, crimes = out
    own = error != ERRORS[0]

    assert len(scans) > 60
    assert all(state == [-1, -1, False] for _, _, _, state, _ in scans)
    assert all(errors == 1 and after for _, _, errors, _, after in scans)
    assert {fault for ok, fault, *_ in scans if not ok} == {8 if own else 1}  # firmware, or bus
    assert any(ok for ok, *_ in scans) is (error in ERRORS[:2])  # a sensor's
    assert crimes == []


# Of the firmware's own errors, which one guard takes alike, one runs always here; all do in the test above.
@pytest.mark.parametrize("error", first_few(3, ERRORS))
def test_when_opening_fails_too_the_one_shot_opens_and_it_is_told(case: Any, error: str) -> None:
    """Ten transfers in a row, so that no command to open gets through."""
    out = case(
        BREAKING + RELAYS + "start(rig, 0); go(rig, 1500); out = []\n"
        "for k in range(1, 60, 3):\n"
        "    n = counted(rig); break_at(k, 10); rig.app.step()\n"
        "    out.append([still_open(), counted(rig) > n]); never(); go(rig, 6000)\n"
        "show(out=[out, rig.app.state, rig.world.crimes])",
        error,
    )
    tries, state, crimes = out

    assert [opened for opened, _ in tries] == [[-1, -1, False]] * len(tries)
    assert all(counted for _, counted in tries)
    assert state == 1  # scanning again
    assert crimes == []


@pytest.mark.parametrize("error", ERRORS)
def test_at_each_transfer_of_a_self_test_that_a_host_asks_for(case: Any, error: str) -> None:
    """The guard of commands catches what the self-test lets through: before, a relay then stayed as it was."""
    out = case(
        BREAKING + RELAYS + "from evenboard.line import config\nconfig.register(rig.app, '/nowhere/board.json')\n"
        "out = []; break_at(1 << 20); rig.command(wire.SELF_TEST, 1); many = (1 << 20) - countdown[0]\n"
        "for k in range(1, many + 1, 2):\n"
        "    break_at(k); rig.command(wire.SELF_TEST, 2 * k); state = [rig.world.even, rig.world.odd, rig.world.zero]\n"
        "    never(); rig.command(wire.SELF_TEST, 2 * k + 1); out.append([state, rig.app.commands.last_status])\n"
        "show(out=[out, rig.world.crimes])",
        error,
    )
    tests, crimes = out

    assert len(tests) > 40
    assert all(state == [-1, -1, False] for state, _ in tests)
    assert {status for _, status in tests} == {0}
    assert crimes == []


@pytest.mark.parametrize("error", ERRORS)
def test_dividers_are_parted_whatever_happens(case: Any, error: str) -> None:
    out = case(
        BREAKING + BANK + "rig = Rig(groups=7, changes=bank(7))\nnever()\n"
        "rig.board.spi_exchange = breaking(rig.board.spi_exchange)\n"
        "out = []; break_at(1 << 20); rig.front.scan(); many = (1 << 20) - countdown[0]\n"
        "for k in range(1, many + 1):\n"
        "    n = rig.front.bus_errors; break_at(k); ok = rig.front.scan(); never()\n"
        "    out.append([ok, rig.board._levels[rig.board._enable], rig.front.bus_errors - n, rig.front.scan()])\n"
        "show(out=out)",
        error,
    )

    assert len(out) > 20
    assert out == [[False, 0, 1, True]] * len(out)


def test_a_sensor_that_meets_a_full_heap_costs_no_group(case: Any) -> None:
    """With the heap locked or full a bus error is a MemoryError."""
    out = case(
        "rig = Rig(groups=4)\n"
        "def broken(*_): raise ERROR\n"
        "for part in (rig.front.sensors._main, rig.front.sensors._heat):\n"
        "    part.start = part.run = part.latest = part.fetch = broken\n"
        "ok = rig.front.scan(); show(out=[ok, rig.front.sensors.errors, rig.readings_uv(), rig.volts_uv,\n"
        "    list(rig.front.currents), rig.front.sensors.temp[0]])",
        "MemoryError()",
    )
    ok, errors, got, true, currents, temp = out

    assert ok
    assert errors >= 2
    assert max(abs(a - b) for a, b in zip(got, true, strict=True)) < 500
    assert set(currents) == {temp} == {-32768}
