"""The scan path allocates nothing: proved with the heap locked, where one allocation raises MemoryError."""

from __future__ import annotations

import pytest

from tests.firmware.rig.run import board_heap, run
from tests.shares import first_few

LOCKED = """
import gc, micropython
import vtime
from rig import Rig
START = {start}
vtime.begin_at(START)
rig = Rig(groups={groups}, changes={changes!r})
rig.app.clock.high = {high}
app = rig.app
def locked(n):
    good = 0
    micropython.heap_lock()
    for _ in range(n):
        if app.scan_once():
            good += 1
    micropython.heap_unlock()
    return good
# In a function, since the collector of the 32-bit build does not see the running module's own code.
def main():
    locked(2)
    gc.collect()
    print(locked({scans}), rig.sink.frames, len(rig.world.crimes), app.scans)
main()
"""


def _script(groups: int, scans: int, start: int = 0, high: int = 0, **changes: object) -> str:
    return LOCKED.format(groups=groups, scans=scans, start=start, high=high, changes=changes)


@pytest.mark.parametrize(("groups", "scans"), first_few(2, [(24, 150), (40, 150), (24, 1000), (40, 1000)]))
def test_scans_with_the_heap_locked(runtime, groups, scans):
    """Scan, pack, CRC, COBS and write; 128 kB heap, models apart; both interpreters. A thousand in `make soak`."""
    printed = run(runtime, _script(groups, scans), heap=board_heap(runtime), as_on_a_board=True)
    good, frames, crimes, done = map(int, printed[-1].split())

    assert good == scans
    assert done == scans + 2
    assert frames >= scans + 2
    assert crimes == 0


@pytest.mark.parametrize(
    ("start", "high"),
    [(0x40000000 - 20000, 0x3FFF), (0x40000000 - 20000, 0xFFFF)],
    ids=["12.43 days", "49.7 days"],
)
def test_locked_across_the_wraps_of_ticks_and_uptime(runtime, start, high):
    """A tick count of 2^30 ms is 12.43 days, an uptime of 2^32 ms 49.7 days."""
    good = run(runtime, _script(24, 150, start, high), heap=board_heap(runtime), as_on_a_board=True)[-1].split()[0]

    assert good == "150"


def test_locked_with_the_second_converter_and_the_shift_register(runtime):
    mux = {
        "part": "74hc595", "spi": 0, "sck": 18, "mosi": 19, "latch_pin": 17, "alive_pin": 6,
        "relay_on_us": 2000, "relay_off_us": 1000, "series_ohm": 10000, "bus_pf": 3000,
    }  # fmt: skip
    script = _script(24, 200, mux=mux, adc={"part": "ads122c04", "address": 64})
    good, _, crimes, _ = run(runtime, script, heap=board_heap(runtime), as_on_a_board=True)[-1].split()

    assert (good, crimes) == ("200", "0")


@pytest.mark.parametrize("part", ["ads8688", "ltc1867"])
def test_locked_with_the_divider_bank(runtime, part):
    bank = {
        "part": part,
        "spi": 0, "sck": 18, "mosi": 19, "miso": 16, "enable_pin": 7, "select_pins": [8], "settle_us": 500,
        "mismatch_ppm": 20, "claim_uv": 3333, "full_mv": [5000, 10000, 15000, 20000, 25000, 30000, 35000],
    }  # fmt: skip
    script = _script(7, 60, front_end="divider_bank", bank=bank, mux=None, adc=None)

    assert run(runtime, script, heap="1m", as_on_a_board=True)[-1].split()[0] == "60"


def test_a_call_that_allocates_on_a_board_is_refused_under_the_lock(runtime):
    """`writeto_mem` merges two buffers on some boards; the virtual bus must not let a proof pass with it."""
    script = """
import micropython, machine
from rig import Rig
rig = Rig()
bus = machine.I2C(0)
def attempt():
    micropython.heap_lock()
    try:
        bus.writeto_mem(32, 2, b"ab")
        refused = 0
    except MemoryError:
        refused = 1
    micropython.heap_unlock()
    return refused
print(attempt())
"""
    assert run(runtime, script)[-1] == "1"
