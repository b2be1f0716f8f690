"""Whatever arrives over the line: no exception leaves the loop, scans go on, the watchdog is fed. Seeded."""

from __future__ import annotations

import json

import pytest

from tests.firmware.rig.cases import CASES
from tests.firmware.rig.run import run
from tests.mp import Unix64, Wasm32

# Frames with a good CRC and any code, size and content, three a turn of the main loop; and noise with delimiters in it.
# Only MAINTAIN and RESTART are taken back, since they end the run on purpose. A small string, so that it is quick.
SCRIPT = (
    CASES
    + """
class Dice:
    # Minimal standard generator (Park and Miller, CACM 31 (1988) 1192); the 32-bit build has no seed to begin with.
    state = SEED
    def getrandbits(self, n):
        self.state = self.state * 16807 % 2147483647
        return self.state >> 8 & (1 << n) - 1
random = Dice()
rig = Rig(groups=3, changes={"alarms": {}, "ntc": None})
app = rig.app
start(rig)
made = bytearray(300)
worst = [vtime.ms, 0]
def feed():
    worst[1] = max(worst[1], vtime.ms - worst[0]); worst[0] = vtime.ms
app._feed = feed
count = [0, 0]  # frames, bytes of noise
def noise():
    n = random.getrandbits(6)
    for i in range(n):
        made[i] = random.getrandbits(8) if random.getrandbits(3) else 0
    app.receive(made, n)
    count[1] += n
def frame():
    # Mostly the codes of commands.
    code = 64 + random.getrandbits(5) if random.getrandbits(3) else random.getrandbits(8)
    n = random.getrandbits(5)
    for i in range(n):
        made[i] = random.getrandbits(8)
    rig.command(code, random.getrandbits(16), bytes(made[:n]))
    count[0] += 1
class Ear:
    def hear(self):
        noise()
        for _ in range(3):
            frame()
            app.leaving = False
        return True
app.hear = Ear().hear
def main():
    errors = 0
    entered = app._enter_fault
    def counted(fault, where):
        nonlocal errors
        errors += fault == wire.FAULT_FIRMWARE
        entered(fault, where)
    app._enter_fault = counted
    for k in range(TURNS):
        wait = app.step()
        vtime.sleep_ms(max(min(wait, 60), 30))
        if k % 20 == 0:
            start(rig, 200, 0, 5)
            random.getrandbits(8)
    show(errors=errors, scans=app.scans, worst=worst[1], crimes=rig.world.crimes, bad=app.link.bad, count=count)
main()
"""
)

NO_COLLECTION = """
import evenboard.app
class NoCollection:
    collect = staticmethod(lambda: None)
evenboard.app.gc = NoCollection
"""


def _judge(runtime: Unix64 | Wasm32, turns: int, seed: int, timeout_s: float) -> tuple[int, int, int, int]:
    """Frames, bytes of noise, scans, and the longest time without a feed in ms."""
    script = SCRIPT.replace("SEED", str(seed)).replace("TURNS", str(turns))
    if runtime.bits == 32:  # its collector frees what is in use (tests/mp.py): START's own collection is left out too
        script = "import gc\ngc.disable()\n" + script.replace("made = bytearray", NO_COLLECTION + "made = bytearray")
    got = json.loads(run(runtime, script, heap="64m" if runtime.bits == 32 else "2m", timeout_s=timeout_s)[-1])

    assert got["errors"] == 0
    assert got["scans"] > turns / 75
    assert got["worst"] < 8000
    assert got["crimes"] == []
    assert got["bad"] > 0
    return *got["count"], got["scans"], got["worst"]


@pytest.mark.parametrize("seed", [1, 2])
def test_any_frame_and_any_noise_leave_the_monitor_running(runtime: Unix64 | Wasm32, seed: int) -> None:
    frames, noise, *_ = _judge(runtime, 750 if runtime.bits == 64 else 200, seed, 60)

    assert frames >= 600
    assert noise > 5000


@pytest.mark.soak
@pytest.mark.parametrize("first", range(100, 1100, 100))
def test_a_million_frames_and_ten_megabytes_of_noise(runtime: Unix64 | Wasm32, first: int) -> None:
    """Ten parts of 34,000 turns each; on the 32-bit one, which never collects, by many short runs."""
    runs = 1 if runtime.bits == 64 else 17
    got = [_judge(runtime, 34_000 // runs, seed, 1800) for seed in range(first, first + runs)]

    frames, noise, scans = (sum(part[k] for part in got) for k in range(3))
    worst = max(part[3] for part in got)
    print(f"\n{runtime.name}: {frames} frames, {noise} B of noise, {scans} scans, {worst} ms without a feed at most")
    assert frames >= 100_000
    assert noise >= 1_000_000
